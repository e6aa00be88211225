"""An invented small reflow oven as a lumped thermal model: where the demo season and the sample logs come from.

INVENTED. No real oven was measured or fitted; the constants were chosen by hand so that the *directions* of what
happens when something wears (which series move, which stay) are those a heat balance gives. Use it to try the
programs on a known truth, never to predict an oven.

The house in nine nodes, per side where a side matters (right is the door side):

    element left, element right    heated by power x duty, share by share
    air left, air right            stirred by the fan, which also couples air to the board
    wall                           inner sheet and insulation, loses heat to the room
    board left, centre, right      the load; the heavier end turns round with the orientation
    tip (one per sensor)           follows its place on the board, or partly the air when lifted

Heat balance of each node, explicit Euler, `STEP_S` [s]: C dT/dt = sum of G (T_other - T) + sum of K (T_other^4 - T^4)
+ power, G in W/K, K in W/K^4 with absolute temperatures, C in J/K. Every bake of a batch is advanced at once, so four
hundred bakes cost little more than one. Every bake draws its noise from its own seed: a result never depends on which
other bakes were simulated beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
Place = Literal["left", "centre", "right", "air"]

STEP_S = 0.25  # a twentieth of the quickest node's time constant (the air)
CONTROL_PERIOD_S = 0.5  # the controller reads, decides and may log this often
PLACES: tuple[Place, ...] = ("left", "centre", "right", "air")
_KELVIN = 273.15


@dataclass(frozen=True)
class Oven:
    """The box. Powers [W], conductances [W/K], capacities [J/K], radiation [W/K^4]; sides as (left, right)."""

    power_w: float = 850.0
    element_health: tuple[float, float] = (1.0, 1.0)  # 1 = as new, 0 = open
    share_left: float = 0.505  # of the power; the left gets a little more to make up for the door
    leak: tuple[float, float] = (0.55, 0.70)  # air to room, past the seal
    wall_loss: float = 0.55
    fan: float = 1.0  # 1 = as built; couples air to board and stirs the two sides
    element_capacity: float = 14.0
    air_capacity: float = 22.0
    wall_capacity: float = 150.0
    element_to_air: float = 1.05
    element_to_wall: float = 2.6e-10
    element_to_board: float = 2.4e-10
    air_to_wall: float = 1.9
    air_mixing: float = 5.0
    air_to_board: float = 3.3  # whole board
    vent: float = 0.45  # extra air to room once the heater is off (a flap or blower), per side


@dataclass(frozen=True)
class Load:
    """What lies on the rack. `capacity` [J/K] of everything; `heavy_end` is the share of it beyond an even third that
    sits at one end; `turned` puts that end on the left."""

    capacity: float = 110.0
    heavy_end: float = 0.01
    turned: bool = False
    conduction: float = 0.12  # between neighbouring thirds [W/K]


@dataclass(frozen=True)
class Sensor:
    """One thermocouple and its input. Reading = room + gain (tip - room) + offset + noise, rounded to `step_k`."""

    name: str
    place: Place = "left"
    time_constant_s: float = 2.0
    offset_k: float = 0.0
    gain: float = 1.0
    lifted: float = 0.0  # 0 = on the board, 1 = in the air
    noise_k: float = 0.15
    step_k: float = 0.25
    stuck_from_s: float | None = None  # from then on the last reading repeats
    reversed: bool = False  # falls as the tip warms, mirrored about the room temperature


@dataclass(frozen=True)
class Controller:
    """`steer_by`: weight of each sensor in the controlled temperature, in their order; several = an average."""

    kind: Literal["pi", "on_off"] = "pi"
    steer_by: tuple[float, ...] = (1.0,)
    gain: float = 0.05  # duty per K
    integral: float = 0.0004  # duty per K and s
    rate_s: float = 9.0  # looks this far ahead along the measured slope
    base_per_k: float = 0.0019  # duty per K of set point above 25 °C, given without waiting for an error
    hysteresis_k: float = 0.8
    full_above_k: float = 20.0  # so far below the set point the heater is simply full on
    stuck_on: float = 0.0  # power let through while the command is zero (a switch that failed closed)


@dataclass(frozen=True)
class Profile:
    """Set point as corner points (elapsed s, °C); the heater is off from the last corner on."""

    name: str
    corners: tuple[tuple[float, float], ...]

    @property
    def off_at_s(self) -> float:
        return self.corners[-1][0]

    def setpoint(self, elapsed_s: FloatArray) -> FloatArray:
        """Set point [°C] at each time [s]; after the last corner the controller shows 25 °C."""
        at, value = zip(*self.corners, strict=True)
        return np.where(elapsed_s < self.off_at_s, np.interp(elapsed_s, at, value), 25.0)


LEAD_FREE = Profile("lead-free 243", ((0, 25), (50, 142), (165, 142), (255, 178), (272, 243), (320, 243)))
LEADED = Profile("leaded 217", ((0, 25), (45, 141), (132, 141), (152, 217), (196, 217)))


@dataclass(frozen=True)
class Bake:
    """One run to simulate. `start_c`: temperature of the oven at the start (None: as the room)."""

    profile: Profile = LEAD_FREE
    oven: Oven = field(default_factory=Oven)
    load: Load = field(default_factory=Load)
    controller: Controller = field(default_factory=Controller)
    sensors: tuple[Sensor, ...] = (Sensor("left", "left"), Sensor("right", "right"))
    room_c: float = 22.0
    start_c: float | None = None
    interval_s: float = 1.0  # of the log, a multiple of CONTROL_PERIOD_S
    stop_at_s: float | None = None  # someone or something ended the run
    log_until_c: float = 80.0  # the log ends when the hottest board node has cooled to this
    longest_s: float = 1500.0
    seed: int = 0


@dataclass(frozen=True)
class Trace:
    """What came out. `readings` (samples, sensors) is what a log would show; the rest is the truth behind it.

    `board_c` (samples, 3): left, centre, right. `duty` 0 to 1 as commanded. `energy_j`: put in, lost to the room and
    stored at the end, for the heat balance.
    """

    elapsed_s: FloatArray
    setpoint_c: FloatArray
    duty: FloatArray
    readings: FloatArray
    board_c: FloatArray
    air_c: FloatArray
    energy_j: dict[str, float]


def simulate(bake: Bake) -> Trace:
    """One bake. See `simulate_many`."""
    return simulate_many([bake])[0]


def simulate_many(bakes: Sequence[Bake]) -> list[Trace]:
    """All bakes, advanced together.

    Raises ValueError if a bake's sensors and `steer_by` differ in number, or its interval is no multiple of
    `CONTROL_PERIOD_S`.
    """
    if not bakes:
        return []
    for bake in bakes:
        if len(bake.controller.steer_by) != len(bake.sensors):
            raise ValueError(f"{len(bake.sensors)} sensors but {len(bake.controller.steer_by)} weights in steer_by")
        if bake.interval_s < CONTROL_PERIOD_S or (bake.interval_s / CONTROL_PERIOD_S) % 1:
            raise ValueError(f"interval {bake.interval_s} s is no multiple of {CONTROL_PERIOD_S} s")
    return _Batch(bakes).run()


class _Batch:
    """State and constants of a batch as arrays; the last axis is the bake."""

    def __init__(self, bakes: Sequence[Bake]) -> None:
        self.bakes = bakes
        self.count = len(bakes)
        self.sensors = max(len(b.sensors) for b in bakes)
        longest = max(b.stop_at_s if b.stop_at_s is not None else b.longest_s for b in bakes)
        self.ticks = int(longest / CONTROL_PERIOD_S) + 1
        self._constants()
        self._sensor_constants()

    def _constants(self) -> None:
        def column(pick: Callable[[Bake], float | tuple[float, float]]) -> FloatArray:
            return np.array([pick(b) for b in self.bakes], dtype=np.float64).T

        self.room = column(lambda b: b.room_c)
        start = column(lambda b: b.room_c if b.start_c is None else b.start_c)
        share = column(lambda b: (b.oven.share_left, 1 - b.oven.share_left))
        self.power = column(lambda b: b.oven.power_w) * share * column(lambda b: b.oven.element_health)
        self.leak = column(lambda b: b.oven.leak)
        self.vent = column(lambda b: b.oven.vent)
        self.wall_loss = column(lambda b: b.oven.wall_loss)
        fan = column(lambda b: b.oven.fan)
        self.mixing = column(lambda b: b.oven.air_mixing) * fan
        self.air_to_board = column(lambda b: b.oven.air_to_board) * fan / 3
        self.element_to_air = column(lambda b: b.oven.element_to_air)
        self.element_to_wall = column(lambda b: b.oven.element_to_wall)
        self.element_to_board = column(lambda b: b.oven.element_to_board) / 2
        self.air_to_wall = column(lambda b: b.oven.air_to_wall) / 2
        self.c_element = column(lambda b: b.oven.element_capacity)
        self.c_air = column(lambda b: b.oven.air_capacity)
        self.c_wall = column(lambda b: b.oven.wall_capacity)
        ends = [
            (1 / 3 + b.load.heavy_end * (1 if b.load.turned else -1), 1 / 3) for b in self.bakes
        ]  # the rest is the right
        self.c_board = np.array([(left, mid, 1 - left - mid) for left, mid in ends]).T * column(
            lambda b: b.load.capacity
        )
        self.conduction = column(lambda b: b.load.conduction)
        self.element = np.tile(start, (2, 1))
        self.air = np.tile(start, (2, 1))
        self.wall = start.copy()
        self.board = np.tile(start, (3, 1))
        self.tip = np.tile(start, (self.sensors, 1))
        self.start = start
        self.log_until = column(lambda b: b.log_until_c)
        self.off_at = column(lambda b: b.profile.off_at_s)
        ticks = np.arange(self.ticks) * CONTROL_PERIOD_S
        self.setpoint = np.array([b.profile.setpoint(ticks) for b in self.bakes]).T
        c = [b.controller for b in self.bakes]
        self.is_on_off = np.array([x.kind == "on_off" for x in c])
        self.kp = np.array([x.gain for x in c])
        self.ki = np.array([x.integral for x in c])
        self.rate = np.array([x.rate_s for x in c])
        self.base = np.array([x.base_per_k for x in c])
        self.hysteresis = np.array([x.hysteresis_k for x in c])
        self.full_above = np.array([x.full_above_k for x in c])
        self.stuck_on = np.array([x.stuck_on for x in c])

    def _sensor_constants(self) -> None:
        shape = (self.sensors, self.count)
        self.tau = np.ones(shape)
        self.offset, self.lifted, self.steer = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        self.gain, self.step = np.ones(shape), np.ones(shape)
        self.place = np.zeros(shape, dtype=np.intp)
        self.stuck_from = np.full(shape, np.inf)
        self.noise = np.zeros((self.ticks, *shape))
        for n, bake in enumerate(self.bakes):
            weights = np.array(bake.controller.steer_by)
            self.steer[: len(weights), n] = weights / weights.sum()
            draws = np.random.default_rng(bake.seed).standard_normal((self.ticks, len(bake.sensors)))
            for k, s in enumerate(bake.sensors):
                self.tau[k, n], self.offset[k, n], self.lifted[k, n] = s.time_constant_s, s.offset_k, s.lifted
                self.gain[k, n] = -s.gain if s.reversed else s.gain
                self.step[k, n], self.place[k, n] = s.step_k, PLACES.index(s.place)
                if s.stuck_from_s is not None:
                    self.stuck_from[k, n] = s.stuck_from_s
                self.noise[:, k, n] = draws[:, k] * s.noise_k

    def run(self) -> list[Trace]:
        readings = np.empty((self.ticks, self.sensors, self.count))
        duty = np.empty((self.ticks, self.count))
        board = np.empty((self.ticks, 3, self.count))
        air = np.empty((self.ticks, self.count))
        energy = np.zeros((self.ticks, 3, self.count))  # in, lost, stored: running totals
        put_in, lost = np.zeros(self.count), np.zeros(self.count)
        integral = np.zeros(self.count)
        slope = np.zeros(self.count)
        is_on = np.zeros(self.count, dtype=bool)
        is_over = np.zeros(self.count, dtype=bool)
        previous = None
        for tick in range(self.ticks):
            now = tick * CONTROL_PERIOD_S
            reading = self._read(tick, now, readings)
            measured = (self.steer * reading).sum(axis=0)
            if previous is not None:
                slope += 0.12 * ((measured - previous) / CONTROL_PERIOD_S - slope)  # smoothed over about 4 s
            previous = measured
            error = self.setpoint[tick] - measured
            wanted = self.kp * (error - self.rate * slope) + integral + self.base * (self.setpoint[tick] - 25)
            grows = (wanted < 1) & (wanted > 0) | (wanted >= 1) & (error < 0) | (wanted <= 0) & (error > 0)
            integral = np.where(grows, integral + self.ki * error * CONTROL_PERIOD_S, integral)
            ahead = error - self.rate * slope
            is_on = np.where(ahead > self.hysteresis, True, np.where(ahead < -self.hysteresis, False, is_on))
            command = np.where(self.is_on_off, is_on.astype(float), np.clip(wanted, 0, 1))
            command = np.where(error > self.full_above, 1.0, command)
            is_off = now >= self.off_at
            command = np.where(is_off, 0.0, command)
            duty[tick] = command
            readings[tick] = reading
            board[tick] = self.board
            air[tick] = self.air.mean(axis=0)
            energy[tick] = put_in, lost, self._stored()
            if (is_over := is_over | ((now > self.off_at) & (self.board.max(axis=0) < self.log_until))).all():
                self.ticks = tick + 1
                break
            applied = self.power * np.maximum(command, self.stuck_on)
            leak = self.leak + np.where(is_off, self.vent, 0.0)
            for _ in range(round(CONTROL_PERIOD_S / STEP_S)):
                put_in = put_in + applied.sum(axis=0) * STEP_S
                lost = lost + self._advance(applied, leak) * STEP_S
        return [self._trace(n, readings, duty, board, air, energy) for n in range(self.count)]

    def _read(self, tick: int, now: float, earlier: FloatArray) -> FloatArray:
        reading = self.room + self.gain * (self.tip - self.room) + self.offset + self.noise[tick]
        reading = np.round(reading / self.step) * self.step
        if tick:
            reading = np.where(now >= self.stuck_from, earlier[tick - 1], reading)
        return reading

    def _advance(self, applied: FloatArray, leak: FloatArray) -> FloatArray:
        """One Euler step; gives the power [W] lost to the room during it."""
        element4 = (self.element + _KELVIN) ** 4
        wall4 = (self.wall + _KELVIN) ** 4
        board4 = (self.board + _KELVIN) ** 4
        # Each element shines on its own end and half on the centre.
        element3 = np.stack([element4[0], (element4[0] + element4[1]) / 2, element4[1]])
        air3 = np.stack([self.air[0], (self.air[0] + self.air[1]) / 2, self.air[1]])
        to_air = self.element_to_air * (self.element - self.air)
        to_wall = self.element_to_wall * (element4 - wall4)
        shine = self.element_to_board * (element3 - board4)
        stir = self.mixing * (self.air[0] - self.air[1])
        into_board = self.air_to_board * (air3 - self.board)
        air_wall = self.air_to_wall * (self.air - self.wall)
        escaping = leak * (self.air - self.room)
        through = self.wall_loss * (self.wall - self.room)
        along = self.conduction * (self.board[:-1] - self.board[1:])
        # What each side's element and air give: their own end and half of the centre.
        shine_side = shine[[0, 2]] + shine[1] / 2
        board_side = into_board[[0, 2]] + into_board[1] / 2
        # The centre sees the mean of both sides' fourth powers, so half of its exchange belongs to either side.
        self.element = self.element + STEP_S / self.c_element * (applied - to_air - to_wall - shine_side)
        net_air = to_air - board_side - air_wall - escaping
        net_air[0] -= stir
        net_air[1] += stir
        self.air = self.air + STEP_S / self.c_air * net_air
        self.wall = self.wall + STEP_S / self.c_wall * (to_wall.sum(axis=0) + air_wall.sum(axis=0) - through)
        net_board = shine + into_board
        net_board[:-1] -= along
        net_board[1:] += along
        self.board = self.board + STEP_S / self.c_board * net_board
        seen = np.concatenate([self.board, self.air.mean(axis=0)[None]])
        at_place = np.take_along_axis(seen, self.place, axis=0)
        target = (1 - self.lifted) * at_place + self.lifted * self.air.mean(axis=0)
        self.tip = self.tip + STEP_S / self.tau * (target - self.tip)
        return escaping.sum(axis=0) + through

    def _stored(self) -> FloatArray:
        return (
            (self.c_element * (self.element - self.start)).sum(axis=0)
            + (self.c_air * (self.air - self.start)).sum(axis=0)
            + self.c_wall * (self.wall - self.start)
            + (self.c_board * (self.board - self.start)).sum(axis=0)
        )

    def _trace(
        self, n: int, readings: FloatArray, duty: FloatArray, board: FloatArray, air: FloatArray, energy: FloatArray
    ) -> Trace:
        bake = self.bakes[n]
        times = np.arange(self.ticks) * CONTROL_PERIOD_S
        board, energy = board[: self.ticks], energy[: self.ticks]
        end = bake.longest_s if bake.stop_at_s is None else bake.stop_at_s
        cooled = (times > bake.profile.off_at_s) & (board[:, :, n].max(axis=1) < bake.log_until_c)
        if cooled.any():
            end = min(end, float(times[cooled.argmax()]))
        end = min(end, float(times[-1]))
        every = round(bake.interval_s / CONTROL_PERIOD_S)
        rows = slice(0, int(end / CONTROL_PERIOD_S) + 1, every)
        last = (len(times[rows]) - 1) * every
        return Trace(
            elapsed_s=times[rows],
            setpoint_c=self.setpoint[rows, n],
            duty=duty[rows, n],
            readings=readings[rows, : len(bake.sensors), n],
            board_c=board[rows, :, n],
            air_c=air[rows, n],
            energy_j=dict(zip(("put_in", "lost", "stored"), energy[last, :, n].tolist(), strict=True)),
        )
