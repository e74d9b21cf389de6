"""Drafts of a corpus of invented exports: how many are right, and that none is silently wrong."""

import pytest

from tests.drafting.truth import Score, exports_in, score

CORPUS = exports_in("corpus")


@pytest.fixture(scope="module")
def scores() -> list[Score]:
    return [score(export) for export in CORPUS]


def test_nine_drafts_in_ten_are_right(scores) -> None:
    wrong = "\n".join(str(each) for each in scores if not each.is_right)
    right = sum(each.is_right for each in scores)
    assert len(scores) >= 48
    assert right >= 0.9 * len(scores), f"{right} of {len(scores)} are right; not right are\n{wrong}"
