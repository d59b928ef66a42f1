"""A result that is being made is stopped within a stage, and the one before it stays."""

from zonemap.io.journal import AssuranceChange
from zonemap.machine import heading
from zonemap.web.session import CANCELLED, DONE


def test_cancelling_ends_the_search_for_a_heading_at_the_next_one(review, monkeypatch):
    session = review.session
    session.change(AssuranceChange(kind="assurance", assurance=0.81), revision=0)
    score, tried = heading._score, []

    def cancelled_in_the_second(*arguments):
        tried.append(arguments[-1])
        if len(tried) == 2:
            session.cancel()
        return score(*arguments)

    monkeypatch.setattr(heading, "_score", cancelled_in_the_second)
    session.publish(revision=1)
    session.wait()
    assert session.publishing.state == CANCELLED
    assert tried == [0, 15]
    assert not session.target.exists()
    # nothing half made is kept: published again, every heading is tried
    session.publish(revision=1)
    session.wait()
    assert session.publishing.state == DONE
    assert tried[2:14] == list(range(0, 180, 15))
    assert (session.target / "manifest.json").exists()
