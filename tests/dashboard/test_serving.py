"""The standing alarms as the broker keeps them: one retained message a node, and one a site."""

import json

import pytest

from dashboard.serving import AlarmBoard
from tests.dashboard.conftest import NOW, alarm, table_rows


class Broker:
    """Keeps what is published."""

    def __init__(self):
        self.said = []

    def publish(self, topic, payload, retain=False):
        assert retain
        self.said.append((topic, json.loads(payload)))

    def heard(self):
        """What was published since it was last asked: by topic, the alarms' kinds."""
        said, self.said = self.said, []
        return {topic: [a["kind"] for a in message["alarms"]] for topic, message in said}


@pytest.fixture
def broker():
    return Broker()


def test_a_node_has_its_topic_and_a_site_one_beside(mill, broker):
    board = AlarmBoard(mill, broker, "joulebook")
    standing = {"joulebook/alarms/mill-floor/mf-01": ["depletion"], "joulebook/alarms/kiln-row/kr-01": ["silent"]}
    board.publish()
    assert broker.heard() == standing
    board.publish()
    assert broker.heard() == {}
    table_rows(mill, "alarms", [alarm(None, "depletion", "high")])
    board.publish()
    (topic, message), *more = broker.said
    assert (topic, message["node_id"], message["site"], more) == (
        "joulebook/alarms/mill-floor/whole site",
        None,
        "mill-floor",
        [],
    )
    assert [a["priority"] for a in message["alarms"]] == ["high"]


def test_a_node_that_has_moved_leaves_nothing_at_its_old_site(mill, broker):
    board = AlarmBoard(mill, broker, "joulebook")
    board.publish()
    with mill.write() as writing:
        writing.execute("UPDATE alarms SET state = 'cleared', cleared_at = $now WHERE node_id = 'mf-01'", {"now": NOW})
    table_rows(mill, "alarms", [alarm("mf-01", "silent", "medium", site="kiln-row", raised_at=NOW)])
    broker.heard()
    board.publish()
    assert broker.heard() == {
        "joulebook/alarms/mill-floor/mf-01": [], "joulebook/alarms/kiln-row/mf-01": ["silent"]
    }  # fmt: skip
