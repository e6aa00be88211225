"""How the channels differ while they cool, against plain arithmetic.

The three errors and what each leaves of a difference at peak follow from their definitions: an offset all of it, a gain
the part of the height above the room that is left, a side that only heats less nothing once both cool alike.
"""

import numpy as np
import pytest
from profiles import context, lines, recording, temperature, value_of

from analysis.metrics import measure

ROOM = 20.0
T = np.arange(0.0, 900.0)
TRUE = np.where(T < 300, ROOM + 225 * T / 300, ROOM + 225 * np.exp(-(T - 300) / 150))


def difference(second, channel=1, room=ROOM):
    made = recording(T, temperature("left", TRUE), temperature("right", second))
    return value_of(measure(made, context(ambient_c=room)), "difference_cooling_c", channel)


def test_an_offset_stays_whole():
    found = difference(TRUE - 3.0)
    assert found.value == pytest.approx(-3.0, abs=1e-9)
    assert difference(TRUE - 3.0, 0).value == pytest.approx(3.0, abs=1e-9)
    assert found.uncertainty is not None
    assert found.uncertainty > 0


def test_a_gain_stays_in_proportion_to_the_height():
    # The mean of a fall from 0.7 to 0.35 of the height, at even steps of time: (0.7 - 0.35) / ln 2 = 0.505 of it.
    gain = 0.04
    peak = 225 * (1 - gain / 2)
    assert difference(ROOM + (1 - gain) * (TRUE - ROOM)).value == pytest.approx(
        -gain * peak / (1 - gain / 2) * 0.505, rel=0.01
    )


def test_a_side_that_only_heats_less_is_gone_when_both_cool_alike():
    cold = np.where(T < 300, TRUE - 4.0 * np.minimum(T / 300, 1.0), TRUE)
    assert difference(cold).value == pytest.approx(0.0, abs=1e-9)


def test_three_channels_are_each_compared_with_the_mean_of_the_others():
    made = recording(T, *(temperature(n, TRUE + d) for n, d in (("a", 0.0), ("b", 3.0), ("c", 6.0))))
    found = measure(made, context(ambient_c=ROOM))
    assert [value_of(found, "difference_cooling_c", c).value for c in range(3)] == pytest.approx([-4.5, 0.0, 4.5])


def test_what_cannot_be_said_is_said():
    t, v = lines([(0, 20), (300, 245), (310, 235)])
    short = measure(recording(t, temperature("a", v), temperature("b", v - 2)), context())
    assert "the log ends before" in (value_of(short, "difference_cooling_c").reason or "")
    alone = measure(recording(T, temperature("a", TRUE)), context())
    assert "fewer than two channels" in (value_of(alone, "difference_cooling_c").reason or "")
    air = measure(
        recording(
            T, temperature("a", TRUE), temperature("b", TRUE - 1), temperature("average", TRUE - 0.5, judged=False)
        ),
        context(),
    )
    assert "an average" in (value_of(air, "difference_cooling_c", 2).reason or "")
    assert value_of(air, "difference_cooling_c", 0).value == pytest.approx(1.0)
