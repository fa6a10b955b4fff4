"""How many samples a volume asks for. Source: UFGS 03311, one for each 100 yd3 or part; counted here tenth by tenth."""
from __future__ import annotations

from decimal import Decimal

import pytest

from assistant.core.due import sample_due

D = Decimal


@pytest.mark.parametrize("tenths", [1, 499, 500, 501, 999, 1000, 1001, 1999, 2000, 2001, 4567])
def test_as_counted_by_hand(tenths: int) -> None:
    # A sample as the first tenth of each hundred yards is placed.
    by_hand = sum(1 for tenth in range(tenths) if tenth % 1000 == 0)
    found = sample_due(D(tenths) / 10, 0, D(100))
    assert found.needed == by_hand and found.due
    assert not sample_due(D(tenths) / 10, by_hand, D(100)).due and sample_due(D(tenths) / 10, by_hand - 1, D(100)).due
    assert not sample_due(found.next_at, by_hand, D(100)).due
    assert sample_due(found.next_at + D("0.1"), by_hand, D(100)).due


def test_at_least_so_many_a_day_and_waived_under() -> None:
    assert sample_due(D(5), 0, None, 2).needed == 2 and sample_due(D(5), 0, None, 2).next_at is None
    assert sample_due(D(0), 0, D(100), 2).needed == 0
    assert not sample_due(D("49.9"), 0, D(100), 0, D(50)).due and sample_due(D(50), 0, D(100), 0, D(50)).due
    assert sample_due(D(250), 3, D(100), 1).words == ("No sample is due: 250 cubic yards placed, 3 needed, 3 taken. "
                                                      "The next is due over 300 cubic yards.")


@pytest.mark.parametrize("placed, taken", [(80, 2), (130, 9), (100, 1), (250, 3)])
def test_the_next_is_told_as_it_is_found_then_when_more_were_taken_than_needed(placed: int, taken: int) -> None:
    told = sample_due(D(placed), taken, D(100)).next_at
    assert told is not None and not sample_due(told, taken, D(100)).due and sample_due(told + D("0.1"), taken, D(100)).due


def test_under_the_volume_the_day_still_asks_for_one() -> None:
    """UFGS 03311, published: under 50 yd3 the strength test may be waived; the sample is not."""
    small = sample_due(D(30), 0, D(100), 1, D(50))
    assert small.due and small.needed == 1 and not sample_due(D(30), 1, D(100), 1, D(50)).due
    assert small.words == ("A sample is due: 30 cubic yards placed, 1 needed, 0 taken. Under 50 cubic yards the volume asks for "
                           "none, the day for 1. The next is due over 100 cubic yards.")
    strength = sample_due(D(30), 0, D(100), 1, D(50), wholly=True)
    assert not strength.due and strength.words == "30 cubic yards placed: under 50 no sample is asked for."
    often = sample_due(D(30), 1, D(10), 1, D(50))
    assert often.next_at == 50 and sample_due(D("50.1"), 1, D(10), 1, D(50)).due and not often.due


def test_in_cubic_meters() -> None:
    found = sample_due(D(130), 1, D(75), 1, unit="m3")
    assert found.due and found.needed == 2 and found.words.startswith("A sample is due: 130 cubic meters placed, 2 needed")


@pytest.mark.parametrize("given", [(D(-1), 0, D(100)), (D(1), -1, D(100)), (D(1), 0, D(0))])
def test_what_can_not_be(given: tuple) -> None:
    with pytest.raises(ValueError):
        sample_due(*given)
