"""The invented shop of the demo season: its ovens, boards, pastes and what goes wrong in it, as plain constants.

Everything here is invented. Times of the planted changes are fractions of the season, so that a shorter season keeps
its story.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sample_logs.oven_model import Controller, Load, Oven, Profile, Sensor

SHOP = "Harrow Yard (invented shop)"
BEGAN = date(2024, 3, 4)
ENDED = date(2025, 8, 29)  # invented and fixed: the same season is written on every day


@dataclass(frozen=True)
class Board:
    """`capacity` [J/K] of the board on its carrier; `joints` inspected on one board."""

    name: str
    capacity: float
    heavy_end: float
    joints: int
    paste: str


@dataclass(frozen=True)
class Paste:
    name: str
    alloy: str
    liquidus_c: float
    days_a_jar_lasts: tuple[int, ...]  # jar after jar; some are kept far too long


@dataclass(frozen=True)
class Bench:
    """An oven of the shop with its controller, sensors and the profiles its controller holds, by alloy."""

    name: str
    controller_name: str
    oven: Oven
    controller: Controller
    sensors: tuple[Sensor, ...]
    profiles: dict[str, Profile]
    interval_s: float
    share_of_runs: float


LEADED_PASTE = Paste("Alder Sn63Pb37 T4", "Sn63Pb37", 183.0, (70, 95, 60, 110, 75, 140))
LEAD_FREE_PASTE = Paste("Alder SAC305 T4", "SAC305", 217.0, (55, 80, 45, 120, 60, 70, 110))
PASTES = (LEADED_PASTE, LEAD_FREE_PASTE)

LANTERN = Board("Lantern", 92.0, 0.004, 312, LEADED_PASTE.name)
HERON = Board("Heron", 104.0, 0.006, 486, LEAD_FREE_PASTE.name)
ANVIL = Board("Anvil", 122.0, 0.010, 904, LEAD_FREE_PASTE.name)
BOARDS = (LANTERN, HERON, ANVIL)
REFERENCE_BOARD = Board("Reference plate", 110.0, 0.0, 0, LEAD_FREE_PASTE.name)

# North bench: proportional controller, three board sensors, steers by the left one, logs the heater; has headroom.
NORTH = Bench(
    "North bench",
    "HY-1",
    Oven(element_capacity=12.0),
    Controller(steer_by=(1.0, 0.0, 0.0), integral=0.0009, full_above_k=16.0),
    (
        Sensor("left_c", "left", offset_k=0.1),
        Sensor("centre_c", "centre", offset_k=-0.2),
        Sensor("right_c", "right", offset_k=0.3),
    ),
    {
        "SAC305": Profile("lead-free 240", ((0, 25), (50, 136), (165, 136), (266, 178), (283, 240.5), (333, 240.5))),
        "Sn63Pb37": Profile("leaded 216", ((0, 25), (45, 136), (132, 136), (152, 216), (198, 216))),
    },
    1.0,
    0.55,
)
# South bench: switches fully on and off, steers by the middle sensor, shows °F and logs no heater command.
_FAHRENHEIT_STEP = 0.5 / 1.8
SOUTH = Bench(
    "South bench",
    "recorder without a name",
    Oven(power_w=820.0, leak=(0.58, 0.66), share_left=0.5, wall_loss=0.6),
    Controller(kind="on_off", steer_by=(0.0, 1.0, 0.0), rate_s=9.0, hysteresis_k=0.5, full_above_k=float("inf")),
    (
        Sensor("TC1 left", "left", offset_k=-0.2, step_k=_FAHRENHEIT_STEP, noise_k=0.2),
        Sensor("TC2 middle", "centre", offset_k=0.2, step_k=_FAHRENHEIT_STEP, noise_k=0.2),
        Sensor("TC3 right", "right", offset_k=0.0, step_k=_FAHRENHEIT_STEP, noise_k=0.2),
    ),
    {
        "SAC305": Profile("lead-free B", ((0, 25), (50, 132), (160, 132), (258, 178), (275, 245), (330, 245))),
        "Sn63Pb37": Profile("leaded B", ((0, 25), (45, 132), (132, 132), (152, 221), (200, 221))),
    },
    2.0,
    0.45,
)
BENCHES = (NORTH, SOUTH)


@dataclass(frozen=True)
class Planted:
    """A truth hidden in the season. `since` and `until` are fractions of it; `gradual` grows from 0 to `size` between
    them, a step is there in full from `since` on. `moves` and `stays` say where to look."""

    what: str
    oven: str
    gradual: bool
    since: float
    until: float
    size: float
    unit: str
    moves: tuple[str, ...]
    stays: tuple[str, ...]


FIRMWARE = Planted(
    "firmware",
    NORTH.name,
    False,
    0.22,
    1.0,
    -0.0005,
    "duty per K and s of integral action (0.0009 to 0.0004): the controller overshoots less",
    ("overshoot_c", "peak_c"),
    ("full_power_ramp_high_c_per_s", "cooling_time_constant_s", "cold_start_spread_c"),
)
HEATER = Planted(
    "heater",
    NORTH.name,
    True,
    0.50,
    1.0,
    -0.13,
    "of the heater's power",
    ("full_power_ramp_high_c_per_s", "full_power_ramp_low_c_per_s", "hold_duty", "saturation_fraction"),
    ("cooling_time_constant_s", "cold_start_spread_c"),
)
SENSOR = Planted(
    "sensor_offset",
    SOUTH.name,
    False,
    0.32,
    1.0,
    4.0,
    "K, channel TC1 left reads higher at every temperature",
    ("cold_start_spread_c", "peak_c of TC1 left"),
    ("peak_c of TC2 middle", "peak_c of TC3 right", "cooling_time_constant_s"),
)
SIDE = Planted(
    "seal",
    SOUTH.name,
    True,
    0.55,
    0.88,
    0.55,
    "W/K more leak at the right (door) side; a new seal ends it at 0.90",
    ("spread_at_peak_c", "melt_lag_s", "peak_c of TC3 right", "cooling_time_constant_s"),
    ("cold_start_spread_c",),
)
SEAL_RENEWED = 0.90
PLANTED = (FIRMWARE, HEATER, SENSOR, SIDE)
OLD_FIRMWARE, NEW_FIRMWARE = "2.0.3", "2.1.0"


@dataclass(frozen=True)
class Maintenance:
    """An event as someone wrote it down. `at` is a fraction of the season."""

    oven: str
    kind: str
    at: float
    note: str
    expected: str
    restarts_baseline: bool


MAINTENANCE = (
    Maintenance(NORTH.name, "clean", 0.12, "flux wiped off, window cleaned", "", False),
    Maintenance(SOUTH.name, "clean", 0.20, "flux wiped off", "", False),
    Maintenance(NORTH.name, "clean", 0.62, "flux wiped off, fan looked at: turns freely", "", False),
    Maintenance(
        SOUTH.name, "seal", SEAL_RENEWED, "door seal renewed", "smaller spread, longer cooling time constant", True
    ),
)


@dataclass(frozen=True)
class DefectRule:
    """How a defect comes about: per inspected run, probability 1 / (1 + exp(-(base + slope (driver - middle))))."""

    term: str
    driver: str  # melt_lag_s | jar_days | none
    base: float
    slope: float
    middle: float
    side: str


DEFECT_RULES = (
    DefectRule("tombstone", "melt_lag_s", 0.0, 1.0, 4.5, "right"),
    DefectRule("solder ball", "jar_days", -1.0, 0.07, 65.0, ""),
    DefectRule("bridge", "none", -2.9, 0.0, 0.0, ""),
)


# Where on the board a defect is noted, with the share of each place, and how often it is noted at all.
PLACES: dict[str, tuple[tuple[str, ...], tuple[float, ...]]] = {
    "tombstone": (("C14", "C15", "R7", "R22"), (0.45, 0.25, 0.2, 0.1)),
    "bridge": (("U3", "J2"), (0.7, 0.3)),
}
PLACE_NOTED_SHARE = 0.6
SERIALS_AT, SERIALS_SINCE = NORTH.name, 0.4  # the bench that began to note serials, and when


def load_of(board: Board, turned: bool) -> Load:
    return Load(capacity=board.capacity, heavy_end=board.heavy_end, turned=turned)
