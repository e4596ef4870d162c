/* What must happen in the browser: the colour scheme, the fleet table's cells, opening a row, the width of figures, and paper. */
(function () {
    "use strict";

    const KEY = "joulebook-scheme";
    const NEXT = {auto: "light", light: "dark", dark: "auto"};
    const system = window.matchMedia("(prefers-color-scheme: dark)");
    let chosen = "auto";

    try {
        chosen = NEXT[localStorage.getItem(KEY)] ? localStorage.getItem(KEY) : "auto";
    } catch (error) {
        chosen = "auto"; // storage is switched off: the choice lasts as long as the page
    }

    function scheme() {
        return chosen === "auto" ? (system.matches ? "dark" : "light") : chosen;
    }

    function apply() {
        document.documentElement.dataset.scheme = scheme();
    }

    apply();
    system.addEventListener("change", function () {
        apply();
        window.dash_clientside.set_props("scheme", {data: scheme()});
    });

    function open(id) {
        window.dash_clientside.set_props("url", {pathname: "/node/" + encodeURIComponent(id)});
    }

    window.dash_clientside = Object.assign({}, window.dash_clientside, {
        joulebook: {
            scheme: function (clicks) {
                if (clicks) {
                    chosen = NEXT[chosen];
                    try {
                        localStorage.setItem(KEY, chosen);
                    } catch (error) {
                        console.info("The colour scheme cannot be kept: " + error.message);
                    }
                    apply();
                }
                return [scheme(), "Colours: " + chosen];
            },
            turn: function (title) {
                document.title = title || "Joulebook";
                window.scrollTo(0, 0);
                return window.dash_clientside.no_update;
            },
        },
    });

    const functions = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});

    functions.plain = function (params, decimals) {
        return params.value === null || params.value === undefined ? "–" : params.value.toFixed(decimals).replace("-", "−");
    };
    functions.bounded = function (params) {
        return (params.value !== null && params.data.harvest_lower_bound ? "≥ " : "") + functions.plain(params, 0);
    };
    functions.daysAhead = function (params) {
        if (params.value === null || params.value === undefined) {
            return params.data.forecast ? "past horizon" : "no forecast";
        }
        return params.value.toFixed(params.value < 10 ? 1 : 0);
    };
    functions.chance = function (params) {
        if (params.value === null || params.value === undefined) {
            return "–";
        }
        return params.value < 1 ? "< 1" : params.value > 99 ? "> 99" : params.value.toFixed(0);
    };
    functions.age = function (params) {
        const hours = params.value;
        if (hours === null || hours === undefined) {
            return "never";
        }
        return hours < 1 ? Math.max(0, hours * 60).toFixed(0) + " min" : hours < 48 ? hours.toFixed(0) + " h" : (hours / 24).toFixed(0) + " d";
    };
    functions.emptyLast = function (a, b, nodeA, nodeB, descending) {
        const noA = a === null || a === undefined;
        const noB = b === null || b === undefined;
        if (noA || noB) {
            return noA === noB ? 0 : noA === Boolean(descending) ? -1 : 1;
        }
        return a - b;
    };
    functions.openOnEnter = function (params) {
        if (params.event.key === "Enter" && params.data) {
            open(params.data.node_id);
        }
    };
    functions.openOnClick = function (params) {
        const link = params.event.target.closest("a");
        if (!link && params.data && String(window.getSelection()) === "") {
            open(params.data.node_id);
        }
    };

    const components = (window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {});

    components.NodeLink = function (props) {
        return window.React.createElement(
            "a",
            {
                href: "/node/" + encodeURIComponent(props.value),
                onClick: function (event) {
                    if (!event.ctrlKey && !event.metaKey && !event.shiftKey) {
                        event.preventDefault();
                        open(props.value);
                    }
                },
            },
            props.value,
        );
    };

    const PAPER_PX = 640; // what a figure may take up of a sheet of A4 in portrait

    function cell(kind, text, column) {
        const made = document.createElement(kind);
        const shape = column.getColDef();
        made.textContent = text;
        made.className = shape.type === "rightAligned" ? "number" : shape.cellClass || "";
        return made;
    }

    /* The rows of a grid as it is filtered and sorted, and all of its columns, as a plain table. */
    function plainTable(grid) {
        const columns = grid.getAllGridColumns();
        const table = document.createElement("table");
        const head = table.createTHead().insertRow();
        columns.forEach(function (column) {
            const group = column.getParent() && column.getParent().getColGroupDef();
            const names = [group && group.headerName, grid.getDisplayNameForColumn(column)];
            head.append(cell("th", names.filter(Boolean).join(" "), column));
        });
        const body = table.createTBody();
        grid.forEachNodeAfterFilterAndSort(function (node) {
            const row = body.insertRow();
            row.className = node.data.visit_due ? "due" : "";
            columns.forEach(function (column) {
                const text = grid.getCellValue({rowNode: node, colKey: column, useFormatter: true});
                row.append(cell("td", text || "", column));
            });
        });
        return table;
    }

    /* All figures at a width, or at that of their panels for null; each keeps its height, which the library's way loses. */
    function fit(width) {
        document.querySelectorAll(".js-plotly-plot").forEach(function (figure) {
            window.Plotly.relayout(figure, {width: width, autosize: width === null});
        });
    }

    let soon = null;

    /* A grid shows the rows in view alone, and a figure keeps the width of the screen: neither fits a sheet. */
    window.addEventListener("beforeprint", function () {
        document.querySelectorAll(".paper").forEach(function (place) {
            place.replaceChildren(plainTable(window.dash_ag_grid.getApi(place.dataset.grid)));
        });
        fit(PAPER_PX);
    });
    window.addEventListener("afterprint", function () {
        document.querySelectorAll(".paper").forEach(function (place) {
            place.replaceChildren();
        });
        fit(null);
    });
    window.addEventListener("resize", function () {
        window.clearTimeout(soon);
        soon = window.setTimeout(fit, 100, null);
    });
})();
