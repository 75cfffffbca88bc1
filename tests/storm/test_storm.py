"""A short storm; the long one is `python -m tests.storm.storm`."""

from __future__ import annotations

from tests.storm.feed import Feed
from tests.storm.storm import Storm, weather


def test_what_was_sent_through_a_storm_is_there_once(tmp_path):
    storm = Storm(tmp_path, 0.3, 7)
    try:
        assert weather(storm, readings=300, patients=6, kills=3, restarts=2) == []
        assert storm.kills == 3
        assert storm.restarts == 2
        assert storm.proxy.met.total() > 10
    finally:
        storm.close()


def test_what_was_acknowledged_is_on_the_server_once(tmp_path):
    feed = Feed(tmp_path, 3)
    try:
        assert feed.run(messages=400, senders=4, kills=2) == []
        assert len(feed.acknowledged) == 400
        assert feed.kills >= 1
        assert feed.breaks > 5
    finally:
        feed.close()
