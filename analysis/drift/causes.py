"""From what moved and what stayed to a ranked list of likely causes.

Each cause has a signature: the direction it moves each series, the series it must leave alone, and its usual shape in
time. The table follows the fault table of the trade (heater power, supply, seal, fan, load, one side, sensor offset,
sensor gain, reference junction, set point or firmware); directions are common practice checked with thermal models, not
from a published standard. Ranking is by likelihood of the observed pattern; people are shown what fits and what does
not, never a probability.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

RAMP_HIGH, RAMP_LOW = "full_power_ramp_high_c_per_s", "full_power_ramp_low_c_per_s"
DUTY, COOLING, SATURATION = "hold_duty", "cooling_time_constant_s", "saturation_fraction"
AT_PEAK, COLD, IN_COOLING = "channel_difference_at_peak", "channel_difference_cold", "channel_difference_cooling"
PEAK, LAG, TO_PEAK, OVERSHOOT, ROOM = (
    "coldest_peak_c",
    "setpoint_lag_s",
    "time_to_peak_s",
    "overshoot_c",
    "room_difference",
)


@dataclass(frozen=True)
class Effect:
    """How one series moved at the change. `change` in the charted unit; `t` in standard errors; `moved` -1, 0 or +1."""

    label: str
    change: float
    low: float
    high: float
    t: float
    moved: int
    n_before: int
    n_after: int
    text: str  # "hold duty +13 % (+11 to +15 %)"
    channel: str | None = None


@dataclass(frozen=True)
class Cause:
    cause: str
    fits: tuple[str, ...]
    against: tuple[str, ...]
    score: float  # log-likelihood, for ranking only
    right: int = 0  # series that moved as expected
    wrong: int = 0  # series that moved although they should stay, or the other way


@dataclass(frozen=True)
class Signature:
    """`moves`: expected direction per series: "+", "-", "any" (moves either way) or "0" (stays); with "?" it may move so
    or stay. The difference while cooling is judged by the one at peak: "with" it, or "apart" (stays, or goes the other
    way: the side that gets less heat also loses less). `trend`: share that come as a trend."""

    moves: Mapping[str, str]
    trend: float
    prior: float
    check_first: str


SIGNATURES: dict[str, Signature] = {
    "heater": Signature(
        {RAMP_HIGH: "-", RAMP_LOW: "-", DUTY: "+", SATURATION: "+", COOLING: "0", COLD: "0", AT_PEAK: "0", IN_COOLING: "0",
         LAG: "+?", TO_PEAK: "+?", PEAK: "-?", OVERSHOOT: "-?", ROOM: "0"}, 0.85, 0.22,
        "Run the reference load from cold. Then, power off and isolated, have a competent person measure the elements.",
    ),
    "mains": Signature(
        {RAMP_HIGH: "-", RAMP_LOW: "-", DUTY: "+", SATURATION: "+", COOLING: "0", COLD: "0", AT_PEAK: "0", IN_COOLING: "0",
         LAG: "+?", TO_PEAK: "+?", PEAK: "-?", OVERSHOOT: "-?", ROOM: "0"}, 0.15, 0.06,
        "Repeat the run with other loads on the supply switched off, and note the supply voltage.",
    ),
    "seal": Signature(
        {COOLING: "-", DUTY: "+", RAMP_HIGH: "-?", RAMP_LOW: "-?", COLD: "0", SATURATION: "+?", LAG: "+?", TO_PEAK: "+?",
         PEAK: "-?", OVERSHOOT: "-?", AT_PEAK: "any?", ROOM: "0"}, 0.6, 0.14,
        "Close the door on a strip of paper all round: where it slides out, the seal leaks. Look at the latch.",
    ),
    "fan": Signature(
        {AT_PEAK: "any", DUTY: "-", COOLING: "0", RAMP_LOW: "0", COLD: "0", ROOM: "0"}, 0.4, 0.04,
        "Listen to the fan and, with the power isolated, turn it by hand.",
    ),
    "load": Signature(
        {RAMP_HIGH: "-", RAMP_LOW: "-", COOLING: "+", DUTY: "0", COLD: "0", TO_PEAK: "+", ROOM: "0"}, 0.05, 0.04,
        "Compare the board and the number of boards in the record with what was on the rack.",
    ),
    "side": Signature(
        {AT_PEAK: "any", IN_COOLING: "apart", COLD: "0", COOLING: "0", RAMP_LOW: "0", ROOM: "0", PEAK: "any?", LAG: "any?",
         OVERSHOOT: "any?", TO_PEAK: "any?"}, 0.5, 0.12,
        "Turn the board 180 degrees for one run: if the cold side stays where it was, it is the oven.",
    ),
    "sensor_offset": Signature(
        {COLD: "any", AT_PEAK: "any", IN_COOLING: "with", COOLING: "0", RAMP_HIGH: "0", RAMP_LOW: "0", DUTY: "0",
         PEAK: "any?", LAG: "any?", OVERSHOOT: "any?", TO_PEAK: "any?"}, 0.15, 0.14,
        "With the oven cold for an hour, compare the channel with the others and with a room thermometer.",
    ),
    "sensor_gain": Signature(
        {AT_PEAK: "any", IN_COOLING: "with", COLD: "0", COOLING: "0", RAMP_HIGH: "0", RAMP_LOW: "0", DUTY: "0",
         PEAK: "any?", LAG: "any?", OVERSHOOT: "any?", TO_PEAK: "any?"}, 0.7, 0.08,
        "Let two sensors change places for one run: the difference follows the sensor or stays with the place.",
    ),
    "reference_junction": Signature(
        {ROOM: "any", COLD: "0", AT_PEAK: "0", COOLING: "0", DUTY: "0"}, 0.3, 0.05,
        "Compare a cold start with a room thermometer: all channels off by the same amount point at the input board.",
    ),
    "setpoint_or_firmware": Signature(
        {LAG: "any", OVERSHOOT: "any", PEAK: "any", COOLING: "0", COLD: "0", AT_PEAK: "0", RAMP_HIGH: "0", RAMP_LOW: "0",
         DUTY: "0", ROOM: "0"}, 0.05, 0.11,
        "Read the firmware version and the stored profile at the start of a run and compare them with the record.",
    ),
}  # fmt: skip

# A supply may fall by 10 % of its voltage (EN 50160), 19 % of the power: a larger step in the ramp is an element.
MOST_OF_SUPPLY = 0.21  # in the logarithm of the ramp
RIGHT, STILL, WRONG = 0.85, 0.12, 0.03  # chance of a series that should move: as expected, not seen, the other way
MAY_STAY, MAY_MOVE, MAY_NOT = 0.55, 0.41, 0.04  # of a series that may move: stays, as expected, the other way
QUIET, LOUD = 0.92, 0.04  # of a series that should stay: stays, moves (per direction)
OPEN = {-1: 0.15, 0: 0.7, 1: 0.15}  # of a series the cause says nothing about

# The difference while cooling beside the one at peak: moved the other way, stayed, moved the same way.
BESIDE_PEAK = {"with": {-1: 0.02, 0: 0.13, 1: 0.85}, "apart": {-1: 0.35, 0: 0.6, 1: 0.05}}
BESIDE_PEAK_TEXT = {-1: "the other way than at peak", 0: "not as at peak", 1: "the same way as at peak"}

SEASON_CHECK = "Log the room temperature and wait: what comes with the season leaves with it."
UNKNOWN_CHECK = "Ask whether anything changed around this date, then run the reference load from cold."


def rank_causes(
    effects: Mapping[str, Effect], shape: str, *, season_open: str | None = None, doubts: Sequence[str] = ()
) -> list[Cause]:
    """Causes in order of fit, at most three, each with what fits and what does not.

    `effects`: by series name, the strongest channel where a series has several; series without data are left out and
    count neither way. `shape`: "step" or "trend". `season_open`: why the season cannot yet be told apart, or None.
    `doubts`: what the channels cannot tell, said with every cause.
    """
    scored = [_score(name, s, effects, shape) for name, s in SIGNATURES.items()]
    ramp = effects.get(RAMP_HIGH) or effects.get(RAMP_LOW)
    if ramp is not None and ramp.change < -MOST_OF_SUPPLY:
        scored = [replace(c, score=c.score - 3.0) if c.cause == "mains" else c for c in scored]
    scored.sort(key=lambda c: -c.score)
    best = scored[0]
    out = [c for c in scored if c.score > best.score - 3.0 and c.fits][:3]
    if not best.fits or best.wrong > best.right:
        out = [Cause("unknown", (), ("no cause in the table fits what moved",), 0.0), *out[:2]]
    if season_open:
        out.append(Cause("season", (season_open,), (), best.score - 3.0))
    return [replace(c, against=(*c.against, *doubts)) for c in out]


def check_first(cause: str) -> str:
    """The one simplest check to do first."""
    if cause in SIGNATURES:
        return SIGNATURES[cause].check_first
    return SEASON_CHECK if cause == "season" else UNKNOWN_CHECK


def _score(name: str, signature: Signature, effects: Mapping[str, Effect], shape: str) -> Cause:
    score = math.log(signature.prior) + math.log(signature.trend if shape == "trend" else 1 - signature.trend)
    right: list[str] = []
    stayed: list[str] = []
    wrong: list[str] = []
    missing: list[str] = []
    for series, effect in effects.items():
        expected, moved = signature.moves.get(series), effect.moved
        if expected is None:
            score += math.log(OPEN[moved])
            continue
        way, may_stay = expected.removesuffix("?"), expected.endswith("?")
        if way in {"with", "apart"}:
            at_peak = effects.get(AT_PEAK)
            if at_peak is None or not at_peak.moved:
                score += math.log(OPEN[moved])
                continue
            relation = moved * at_peak.moved
            score += math.log(BESIDE_PEAK[way][relation])
            if (way == "with") == (relation > 0):
                right.append(f"{effect.text}, {BESIDE_PEAK_TEXT[relation]}")
            else:
                wrong.append(f"{effect.text}, {BESIDE_PEAK_TEXT[relation]}")
            continue
        if way == "0":
            score += math.log(LOUD if moved else QUIET)
            (wrong if moved else stayed).append(effect.text if moved else f"{effect.text}, as it should stay")
        elif not moved:
            score += math.log(MAY_STAY if may_stay else STILL)
            missing += [] if may_stay else [f"{effect.label} did not move"]
        elif way == "any" or (way == "+") == (moved > 0):
            score += math.log((MAY_MOVE if may_stay else RIGHT) / (2 if way == "any" else 1))
            right.append(effect.text)
        else:
            score += math.log(MAY_NOT if may_stay else WRONG)
            wrong.append(f"{effect.text}, the other way")
    if not right:
        score -= 5.0
    return Cause(name, (*right, *stayed), (*wrong, *missing), score, len(right), len(wrong))
