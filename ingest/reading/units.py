"""Units as people write them in logs, and how each becomes °C, seconds or a fraction.

A unit text is folded (case, accents, mangled degree signs) before it is looked up. Scaled units ("0.1 °C", "°C x10",
"1/4 °C") are read from the factor beside the unit. Celsius and Kelvin differ by 273.15, Fahrenheit by 32 and 1.8 (exact
definitions); temperature differences never pass through here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from ingest.reading.folding import fold
from ingest.recording import FloatArray

Kind = Literal["temperature", "time", "fraction", "voltage", "raw", "other"]


@dataclass(frozen=True)
class Unit:
    """`scale`: what one step of the number is worth in `symbol` (0.1 for tenths)."""

    kind: Kind
    symbol: str
    scale: float = 1.0

    @property
    def text(self) -> str:
        return self.symbol if self.scale == 1.0 or self.kind != "temperature" else f"{self.scale:g} {self.symbol}"

    def to_celsius(self, raw: FloatArray) -> FloatArray:
        """Numbers of this unit in °C. NaN stays NaN."""
        scaled = raw if self.scale == 1.0 else raw * self.scale
        if self.symbol == "°F":
            return (scaled - 32.0) / 1.8
        if self.symbol == "K":
            return scaled - 273.15
        return scaled


CELSIUS, FAHRENHEIT, KELVIN = Unit("temperature", "°C"), Unit("temperature", "°F"), Unit("temperature", "K")
SECONDS = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "0.1 s": 0.1, "0.01 s": 0.01}

_TEMPERATURE = {
    "°C": (
        "c degc celsius centigrade celcius celsuis centigrados gradc grad grd gradcelsius degcelsius oc degreesc "
        "degreescelsius degreec grc gradosc "
        "gradicelsius stopniec stc graderc cels degrec degresc degrescelsius grausc graden deg degrees ° °c *c 'c ?c "
        "\ufffdc a°c \u0192c gradic ^c ~c c° °cels gradosc. degcel"
    ),
    "°F": (
        "f degf fahrenheit farenheit fahrenhiet ferenheit gradf degfahrenheit of degreesf degreesfahrenheit degreef "
        "°f *f 'f ?f \ufffdf a°f f° ^f ~f "
        "gradosf degresf"
    ),
    "K": "k kelvin degk °k",
}
_TIME = {
    "us": "us usec usecs microsec microsecond microseconds micros mikrosekunden",
    "ms": (
        "ms msec msecs millisec millisecs millisecond milliseconds millis millisekunden millisecondes milisegundos "
        "millisecondi millisekunder milisekundy"
    ),
    "s": (
        "s sec secs second seconds sek sekunde sekunden seconde secondes segundo segundos secondi secondo sekunder "
        'sekundy sekund seconden seg " с сек 秒'
    ),
    "min": "min mins minute minutes minuten minutos minuti minuto minuty minut minuter 分 мин",
    "h": "h hr hrs hour hours std stunde stunden heure heures hora horas ore ora uur godz timmar",
    "d": "d day days tage",
    "0.1 s": "ds 0.1s 1/10s 100ms zehntelsekunden tenths deciseconds",
    "0.01 s": "cs 0.01s 1/100s 10ms centiseconds",
}
# kind, symbol, worth of one step, texts
_OTHER: tuple[tuple[Kind, str, float, str], ...] = (
    ("fraction", "%", 0.01, "% percent pct prozent procent %duty pourcent 0-100 0..100 %out %power procentowo"),
    ("fraction", "‰", 0.001, "‰ promille permille"),
    ("fraction", "0-1", 1.0, "0-1 0..1 0.0-1.0"),
    ("fraction", "0-255", 1 / 255, "0-255 0..255 /255"),
    ("fraction", "0-1023", 1 / 1023, "0-1023 0..1023 /1023"),
    ("voltage", "mV", 1.0, "mv millivolt"),
    ("voltage", "uV", 1.0, "uv microvolt"),
    ("voltage", "V", 1.0, "v volt volts"),
    ("raw", "counts", 1.0, "counts count adc raw lsb digits bits cts adu"),
    ("other", "W", 1.0, "w watt watts"),
    ("other", "kW", 1.0, "kw"),
    ("other", "A", 1.0, "a ampere"),
    ("other", "mA", 1.0, "ma"),
    ("other", "°C/s", 1.0, "°c/s c/s k/s degc/s °c/sec °cs-1"),
    ("other", "°C/min", 1.0, "°c/min k/min c/min"),
    ("other", "rpm", 1.0, "rpm u/min 1/min"),
    ("other", "%RH", 1.0, "%rh rh %rf %r.f. %hr"),
    ("other", "hPa", 1.0, "hpa mbar"),
    ("other", "bar", 1.0, "bar"),
    ("other", "ppm", 1.0, "ppm"),
    ("other", "Hz", 1.0, "hz"),
    ("other", "kWh", 1.0, "kwh wh"),
    ("other", "mm/s", 1.0, "mm/s cm/min m/min"),
    ("other", "K", 1.0, "dk"),
    ("temperature", "°C", 0.1, "d°c dc° decic d°cels"),
    ("temperature", "°C", 0.01, "c°c centic"),
    ("temperature", "°C", 0.001, "m°c millic"),
    ("temperature", "°F", 0.1, "d°f"),
)

_TABLE: dict[str, Unit] = {}
for _symbol, _names in _TEMPERATURE.items():
    _TABLE |= {_n: Unit("temperature", _symbol) for _n in _names.split()}
for _symbol, _names in _TIME.items():
    _TABLE |= {_n: Unit("time", _symbol) for _n in _names.split()}
for _kind, _symbol, _scale, _names in _OTHER:
    _TABLE |= {_n: Unit(_kind, _symbol, _scale) for _n in _names.split()}

_FACTOR_FIRST = re.compile(r"^(?:x|\*)?(0[.,]\d+|1/\d+|1e-\d)[x*]?(.+)$")
_FACTOR_LAST = re.compile(r"^(.+?)[x*/](10|100|4|16|1000)$")
_DIVISOR_FIRST = re.compile(r"^(?:x|\*)(10|100|4|16)(.+)$")
_WORDS_FIRST = re.compile(
    r"^(tenths?|zehntel|dixiemes?|decimas?|decimi|quarters?|viertel|hundredths?|hundertstel)(?:of|von|de|di)?(?:a)?(deg.*|°.*|grad.*|c|f)$"
)
_FORMATS = re.compile(
    r"^(h{1,2}:mm(:ss)?|mm:ss|m:ss|hh:mm:ss([.,]\w+)?|iso|iso8601|utc|dd[./-]mm[./-]yy(yy)?|mm[/-]dd[/-]yy(yy)?|yyyy-mm-dd.*)$"
)


@lru_cache(maxsize=4096)
def unit_of(text: str) -> Unit | None:
    """The unit a text means, or None."""

    key = (
        fold(text.strip().strip('()[]{}"').strip().rstrip(".")).replace(" ", "").replace("\u00a0", "").replace("_", "")
    )
    if not key or len(key) > 24:
        return None
    found = _TABLE.get(key)
    if found is not None:
        return found
    if key.startswith("in") and key[2:] in _TABLE and len(key) > 3:
        return _TABLE[key[2:]]
    m = _WORDS_FIRST.match(key)
    if m:
        base = _TABLE.get(m.group(2))
        factor = 0.1 if m.group(1)[0] in "tzd" else 0.25 if m.group(1)[0] in "qv" else 0.01
        return Unit("temperature", base.symbol, factor) if base and base.kind == "temperature" else None
    m = _FACTOR_FIRST.match(key)
    if m:
        base = _TABLE.get(m.group(2))
        raw = m.group(1).replace(",", ".")
        factor = 1.0 / float(raw[2:]) if raw.startswith("1/") else float(raw)
        if base and base.kind == "temperature":
            return Unit("temperature", base.symbol, factor)
        return None
    for pattern, unit_group, factor_group in ((_FACTOR_LAST, 1, 2), (_DIVISOR_FIRST, 2, 1)):
        m = pattern.match(key)
        if m:
            base = _TABLE.get(m.group(unit_group))
            if base and base.kind == "temperature":
                return Unit("temperature", base.symbol, 1.0 / float(m.group(factor_group)))
    return None


def is_unit(text: str) -> bool:
    return unit_of(text) is not None


def is_stamp_format(text: str) -> bool:
    """True for a unit-row entry that describes how a stamp is written ("hh:mm:ss")."""
    return bool(_FORMATS.match(text.strip().strip("()[]").lower()))


def seconds_per(symbol: str) -> float:
    return SECONDS[symbol]


def celsius_or_nan(unit: Unit, raw: FloatArray) -> FloatArray:
    return unit.to_celsius(np.asarray(raw, dtype=np.float64))
