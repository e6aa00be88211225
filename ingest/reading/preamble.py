"""Lines around the table: `key: value` pairs become metadata, and some of them settle a clock or a unit.

A pair is a short name, one of the signs `:`, `=`, tab, or the table's own delimiter, and a value. Keys known in several
languages are stored under one name (profile, firmware, operator, oven, controller, board, paste, lot, serial, started_at,
ended_at, interval, unit, time_unit, zone, note); other keys stay as written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from ingest.reading.cells import to_number
from ingest.reading.header import _MARK
from ingest.reading.stamps import Stamps, parse_stamps
from ingest.reading.units import unit_of
from ingest.reading.words import fold

_KEYS = {
    "profile": "profile profil recipe rezept recette receta ricetta receita recept program programm programme programma profilo perfil profiel prozess profile_name profilename profile_id program_name",
    "firmware": "firmware fw version sw software firmwareversion fw_version firmware_version oprogramowanie programvara fw_ver firmware_ver ver",
    "operator": "operator user bediener operateur operador operatore benutzer uzytkownik operatör anvandare gebruiker utilisateur usuario operador_a",
    "oven": "oven ofen four horno forno piec ugn machine maschine oven_name oven_id device geraet gerat appareil equipo",
    "controller": "controller regler steuerung regulateur controlador regolatore regelaar sterownik regulator model modell modele modelo typ type logger instrument",
    "board": "board pcb leiterplatte platine carte placa scheda printplaat plytka kort product produkt assembly baugruppe board_id job auftrag",
    "paste": "paste solder lotpaste paste_type solder_paste pate pasta lodpasta soldeerpasta lote_pasta lot_paste lotpaste",
    "lot": "lot batch charge los lote lotto partia parti lotnr lot_no batch_no",
    "serial": "serial serial_number sn seriennummer serial_no s/n",
    "interval": "interval sample_interval sampling_interval sample_period period sample_time intervall abtastintervall abtastzeit taktzeit intervalle intervalo intervallo interwal log_interval logging_interval"
    " step messintervall periode dt sampling sample_interval_ms sample_interval_s interval_ms interval_s sampling_period",
    "rate": "rate sample_rate sampling_rate abtastrate frequency frequenz samplerate frecuencia frequence freq frequenza sampling_frequency",
    "unit": "unit units temperature_unit temp_unit einheit temperatureinheit unite unidad unita eenheid jednostka enhet temperature_units temp_units scale temperature_scale unidades unites einheiten",
    "time_unit": "time_unit time_units zeiteinheit unite_de_temps unidad_de_tiempo timebase time_base",
    "zone": "timezone time_zone tz zeitzone fuseau zona_horaria fuso tijdzone strefa tidszon",
    "started_at": "start started started_at start_time starttime begin begun startzeit beginn debut inicio inizio poczatek startad begintijd start_date date_time datetime timestamp datum/zeit date/time recorded run_start start_at gestartet"
    " log_start logging_started start_of_run run_started recorded_at logged startdatum start_datum messbeginn aufzeichnung_start data_ora heure_debut heure_de_debut hora_inicio ora_inizio created",
    "date": "date datum fecha data dato run_date aufnahmedatum messdatum",
    "time": "time uhrzeit zeit heure hora ora tijd godzina tid time_of_day",
    "ended_at": "end ended ended_at end_time stop stopped stop_time finish finished endzeit ende fin fine koniec slut",
    "note": "note notes comment remark kommentar bemerkung commentaire comentario commento komentarz opmerking anmerkung",
}
_CANON = {word: key for key, words in _KEYS.items() for word in words.split()}
_PAIR = re.compile(r"^\s*[\"']?([^\W\d][^:=;,\t|]{0,40}?)[\"']?\s*(?::\s|:$|=|:(?=\S)|\t|;|,|\|)\s*(.*?)\s*$")
_SEVERAL = re.compile(
    r"([^\W\d][\w /.-]{0,24}?)\s*[=:]\s*([^=:;,|]+?)(?=\s*[;,|]\s*[^\W\d][\w /.-]{0,24}?\s*[=:]|\s{2,}[^\W\d][\w/.-]{0,24}\s*[=:]|\s+[^\W\d][\w/.-]{0,24}=|$)"
)


@dataclass
class Preamble:
    """`pairs`: canonical key -> value. The rest are clues taken from them (None: not stated)."""

    pairs: dict[str, str] = field(default_factory=dict[str, str])
    interval_s: float | None = None
    temperature_unit: str | None = None
    time_unit: str | None = None
    zone: str | None = None
    started: Stamps | None = None
    date: Stamps | None = None
    ended: Stamps | None = None


def read_preamble(lines: Iterable[str], delimiter: str) -> Preamble:
    found = Preamble()
    for line in lines:
        for key, value in pairs_of(line, delimiter):
            name = canonical(key)
            if value and name not in found.pairs:
                found.pairs[name] = value
    _settle(found)
    return found


def canonical(key: str) -> str:
    folded = re.sub(r"[\s\-]+", "_", fold(re.sub(r"[\(\[].*?[\)\]]", "", key)).strip(" _.#*"))
    return _CANON.get(folded) or _CANON.get(folded.replace("_", "")) or " ".join(key.split())


def pairs_of(line: str, delimiter: str) -> list[tuple[str, str]]:
    m = _MARK.match(line)
    bare = (line[m.end() :] if m else line).strip().rstrip(delimiter if delimiter != " " else "").strip()
    if not bare or len(bare) > 400:
        return []
    several = _SEVERAL.findall(bare)
    if len(several) > 1:
        return [(k.strip(), v.strip().strip("\"'")) for k, v in several]
    m = _PAIR.match(bare)
    if not m:
        return []
    value = m.group(2).strip().strip(delimiter if delimiter != " " else "").strip().strip("\"'").strip()
    return [(m.group(1).strip(), value)]


def _settle(p: Preamble) -> None:
    interval = p.pairs.get("interval")
    if interval:
        p.interval_s = seconds_of(interval, _unit_in_key(p.pairs, "interval"))
    rate = p.pairs.get("rate")
    if rate and p.interval_s is None:
        p.interval_s = _from_rate(rate)
    unit = p.pairs.get("unit")
    if unit:
        for word in re.split(r"[,;/\s]+", unit):
            found = unit_of(word)
            if found is not None and found.kind == "temperature":
                p.temperature_unit = word
            elif found is not None and found.kind == "time":
                p.time_unit = found.symbol
    unit = p.pairs.get("time_unit")
    if unit and (found := unit_of(unit)) and found.kind == "time":
        p.time_unit = found.symbol
    p.zone = p.pairs.get("zone")
    p.started = _stamp(p.pairs.get("started_at"))
    p.ended = _stamp(p.pairs.get("ended_at"))
    p.date = _stamp(p.pairs.get("date"))
    of_day = p.pairs.get("time")
    if p.date is not None and p.date.kind == "datetime":
        p.started = p.started or p.date
    elif p.date is not None and (p.started is None or p.started.kind == "clock"):
        clock = p.started if p.started is not None else _stamp(of_day)
        if clock is not None and clock.kind == "clock":
            p.started = _joined(p.date, clock)
        elif clock is not None and clock.kind == "datetime":
            p.started = clock
    elif p.started is None and of_day:
        stamp = _stamp(of_day)
        p.started = stamp if stamp is not None and stamp.kind == "datetime" else None
    if p.started is not None and p.started.kind == "clock":
        p.started = None


def _unit_in_key(pairs: dict[str, str], _key: str) -> str:
    return ""


def _joined(day: Stamps, clock: Stamps) -> Stamps:
    readings = {order: s + clock.seconds for order, s in day.readings.items()}
    return Stamps(
        "datetime",
        next(iter(readings.values())),
        clock.resolution_s,
        readings,
        day.why,
        zone=day.zone,
        offset_s=day.offset_s,
    )


def _stamp(text: str | None) -> Stamps | None:
    if not text:
        return None
    text = re.sub(r"\s+(uhr|o'clock|local)\b.*$", "", text.strip(), flags=re.I)
    found = parse_stamps([text])
    return found if found is not None and bool((found.seconds == found.seconds).all()) else None


_QUANTITY = re.compile(r"^\s*([\d.,]+)\s*([^\W\d]*)")


def seconds_of(text: str, default: str = "") -> float | None:
    """A duration with its unit in seconds; a bare number counts as seconds only when `default` says so or it has no unit
    and is at most 60."""
    m = _QUANTITY.match(text)
    if not m:
        return None
    value = to_number(m.group(1), "." if "." in m.group(1) or "," not in m.group(1) else ",")
    if value is None or value <= 0:
        return None
    unit = unit_of(m.group(2) or default) if (m.group(2) or default) else None
    if unit is not None and unit.kind == "time":
        from ingest.reading.units import SECONDS

        return value * SECONDS[unit.symbol]
    if m.group(2).lower() == "hz":
        return 1.0 / value
    return None


def _from_rate(text: str) -> float | None:
    m = re.match(r"^\s*([\d.,]+)\s*(?:hz|/s|1/s|s/s|sps|per second|samples/s|samples per second)", text, re.I)
    if m:
        value = to_number(m.group(1), "." if "." in m.group(1) or "," not in m.group(1) else ",")
        return 1.0 / value if value else None
    return seconds_of(text)


def metadata_of(p: Preamble, members: Sequence[str] = ()) -> dict[str, str]:
    return {k: v[:500] for k, v in list(p.pairs.items())[:100]}
