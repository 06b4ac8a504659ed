"""The record of a woman who has left may be deleted once her leaving cannot be undone, and is then shown nowhere."""

from msgspec import structs

from quietward.contracts.stays import Stay
from quietward.dashboard.history.forgetting import readable, why_not_yet
from tests.unit.test_page_models import NOW, summary

UNDO_S = 600
FIRST, SECOND = (Stay(NOW - ago, "Kim", NOW - ago, ended=NOW, ended_by="Kim", ended_at=NOW) for ago in (9000, 8000))
LEFT = structs.replace(summary(), stay=Stay(NOW, "Kim", NOW), former=[SECOND, FIRST])


def test_a_record_can_be_deleted_once_a_leaving_cannot_be_undone() -> None:
    assert "delete her record 10 min after it" in why_not_yet(LEFT, FIRST.id, UNDO_S, NOW + 1000 * UNDO_S - 1)
    assert why_not_yet(LEFT, FIRST.id, UNDO_S, NOW + 1000 * UNDO_S) == ""


def test_who_is_in_the_bed_or_was_never_there_has_no_record_to_delete() -> None:
    later = NOW + 10_000_000
    for stay in (NOW, 1):
        assert "no such record" in why_not_yet(LEFT, stay, UNDO_S, later)
    assert "no such record" in why_not_yet(None, FIRST.id, UNDO_S, later)


def test_what_is_forgotten_is_that_stay_at_that_bed_alone() -> None:
    name = f"{LEFT.bed} {FIRST.id}".encode()
    assert readable(LEFT, {name}).former == [SECOND]
    assert readable(LEFT, {f"bed-77 {FIRST.id}".encode()}) is LEFT
