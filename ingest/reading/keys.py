"""The keys of preamble lines, under one name each, and the marks a comment line starts with."""

from __future__ import annotations

import re

from ingest.reading.folding import fold

MARK = re.compile(r"^\s*(?:#+|//+|%+|!+|\*+|>+|--+\s|rem\s|[;'](?=\s*[^\W\d]))\s*", re.I)

_KEYS = {
    "profile": (
        "profile profil recipe rezept recette receta ricetta receita recept program programm programme "
        "programma profilo perfil profiel prozess profile_name profilename profile_id program_name "
    ),
    "firmware": (
        "firmware fw version sw software firmwareversion fw_version firmware_version oprogramowanie "
        "programvara fw_ver firmware_ver ver "
    ),
    "operator": (
        "operator user bediener operateur operador operatore benutzer uzytkownik operatör anvandare gebruiker "
        "utilisateur usuario operador_a "
    ),
    "oven": (
        "oven ofen four horno forno piec ugn machine maschine oven_name oven_id device geraet gerat appareil equipo "
    ),
    "controller": (
        "controller regler steuerung regulateur controlador regolatore regelaar sterownik regulator model "
        "modell modele modelo typ type logger instrument "
    ),
    "board": (
        "board pcb leiterplatte platine carte placa scheda printplaat plytka kort product produkt assembly "
        "baugruppe board_id job auftrag "
    ),
    "paste": (
        "paste solder lotpaste paste_type solder_paste pate pasta lodpasta soldeerpasta lote_pasta lot_paste lotpaste "
    ),
    "lot": "lot batch charge los lote lotto partia parti lotnr lot_no batch_no",
    "serial": "serial serial_number sn seriennummer serial_no s/n",
    "interval": (
        "interval sample_interval sampling_interval sample_period period sample_time intervall "
        "abtastintervall abtastzeit taktzeit intervalle intervalo intervallo interwal log_interval "
        "logging_interval step messintervall periode dt sampling sample_interval_ms sample_interval_s "
        "interval_ms interval_s sampling_period "
    ),
    "rate": (
        "rate sample_rate sampling_rate abtastrate frequency frequenz samplerate frecuencia frequence freq "
        "frequenza sampling_frequency "
    ),
    "unit": (
        "unit units temperature_unit temp_unit einheit temperatureinheit unite unidad unita eenheid jednostka "
        "enhet temperature_units temp_units scale temperature_scale unidades unites einheiten "
    ),
    "time_unit": "time_unit time_units zeiteinheit unite_de_temps unidad_de_tiempo timebase time_base",
    "zone": "timezone time_zone tz zone utc_offset utcoffset zeitzone fuseau zona_horaria fuso tijdzone strefa tidszon",
    "started_at": (
        "start started started_at begin begun beginn debut inicio inizio poczatek startad date_time datetime "
        "timestamp datum/zeit date/time run_start start_at gestartet log_start logging_started start_of_run "
        "run_started messbeginn aufzeichnung_start data_ora "
    ),
    "start_time": (
        "start_time starttime startzeit heure_debut heure_de_debut hora_inicio hora_de_inicio ora_inizio begintijd "
        "starttid "
    ),
    "start_date": "start_date startdate startdatum start_datum date_debut fecha_inicio data_inizio begindatum",
    "date": "date datum fecha data dato run_date aufnahmedatum messdatum",
    "time": "time uhrzeit zeit heure hora ora tijd godzina tid time_of_day",
    "ended_at": "end ended ended_at end_time stop stopped stop_time finish finished endzeit ende fin fine koniec slut",
    "note": (
        "note notes comment remark kommentar bemerkung commentaire comentario commento komentarz opmerking anmerkung "
    ),
}
_CANON = {word: key for key, words in _KEYS.items() for word in words.split()}


def _folded(key: str) -> str:
    return re.sub(r"[\s\-]+", "_", fold(re.sub(r"[\(\[].*?[\)\]]", "", key)).strip(" _.#*"))


def is_known_key(key: str) -> bool:
    return _folded(key) in _CANON


def canonical(key: str) -> str:
    """The one name of a key; keys nobody knows stay as written."""
    folded = _folded(key)
    return _CANON.get(folded) or _CANON.get(folded.replace("_", "")) or " ".join(key.split())
