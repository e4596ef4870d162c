"""Reads what a page says, and calls the functions behind its callbacks."""

import dash


def callback(app, output):
    """The function behind the callback that fills a component's property."""
    found = [entry["callback"] for key, entry in app.callback_map.items() if output in key]
    assert len(found) == 1, list(app.callback_map)
    return found[0].__wrapped__


def text(component):
    """All text of a component, spaces made plain."""
    if component is None:
        return ""
    if isinstance(component, (list, tuple)):
        return " ".join(text(part) for part in component)
    if isinstance(component, (str, int, float)):
        return str(component).replace("\u00a0", " ").replace("\u202f", " ")
    return text(getattr(component, "children", None))


def ids(component):
    return {getattr(part, "id", None) for part in component._traverse()} - {None}


def rows_of(component):
    """The text of each row of the tables within."""
    parts = component if isinstance(component, list) else [component]
    found = [row for part in parts for row in part._traverse() if isinstance(row, dash.html.Tr)]
    return [" ".join(text(row).split()) for row in found]


def facts(children):
    """Label to value and note."""
    return {text(fact.children[0]): [text(part) for part in fact.children[1:]] for fact in children}
