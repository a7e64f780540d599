"""A confirmation that failed stays open until a later stage was measured."""

from dataclasses import replace

import pytest

from doe.analysis.confirmation import Confirmed, unanswered
from doe.errors import Notice


def confirmation(held: bool) -> Confirmed:
    notice = Notice("confirmation", "what became of it")
    return Confirmed((18, 19, 20), (160.0,), notice, "" if held else "closure")


@pytest.mark.parametrize(
    ("measured", "is_open"),
    [
        ({17: 2, 18: 3, 19: 3, 20: 3}, True),
        ({17: 2, 18: 3, 19: 3, 20: 3, 21: 3}, True),  # run 21 was chosen with 18 to 20
        ({17: 2, 18: 3, 19: 3, 20: 3, 21: 4}, False),
    ],
    ids=["nothing since", "the rest of its batch", "a later stage"],
)
def test_only_a_later_stage_answers_a_failed_confirmation(measured, is_open):
    failed = confirmation(held=False)
    assert unanswered([failed], measured) == (failed if is_open else None)


def test_an_interval_that_failed_is_answered_by_its_settings_run_again_alone():
    asks = replace(confirmation(held=False), missed="interval")
    later = {18: 3, 19: 3, 20: 3, 21: 4}
    assert unanswered([asks], later) == asks
    assert unanswered([replace(asks, why="Run 21 tells.")], later) is None
    assert unanswered([replace(asks, can_be_run=False)], later) is None


def test_what_held_or_was_never_made_is_not_open():
    assert unanswered([confirmation(held=True)], {18: 3}) is None
    assert unanswered([], {1: 1}) is None
