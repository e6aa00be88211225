"""Bytes of a log to a `Reading`: read, held with questions, or rejected with a reason. Pure: no archive, no clock, no files.

Order of the steps, each with its clues in its own module:
`decode` (container, encoding, damage) -> `line_dress` (bars, checksums, prefixes) -> `dialect` (delimiter with
decimal mark) -> `table` and `header` (rows, names, units; `serial_text` for name=value lines, `long_layout` for a
channel a row) -> `preamble` (key: value) -> `columns` (role and unit, by name, unit text and behaviour) -> `clock`
(which column, which unit) -> `repair` (order, roll-over, resets, jumps) -> `faults` (markers to missing) -> `runs`
(one recording per run).

Two rules hold throughout. A reading that physics leaves open is asked, not guessed; the answer is remembered per layout.
A cell that cannot be read becomes missing and is reported, never a nearby number.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ingest.reading.assemble import read_text
from ingest.reading.decode import Member, decode, members
from ingest.recording import LayoutFound, Reading

READER_VERSION = "1"

__all__ = ["READER_VERSION", "read_log"]

_NO_ANSWERS: Mapping[str, str] = {}


def read_log(
    data: bytes,
    name: str = "",
    *,
    answers: Mapping[str, str] = _NO_ANSWERS,
    layouts: Sequence[LayoutFound] = (),
    zone: str = "UTC",
) -> list[Reading]:
    """Read one log file.

    Parameters
    ----------
    data : the file's bytes; plain text in any common encoding, gzip, or a zip with one or more logs.
    name : file name, used only in `metadata["member"]` of the members of a zip.
    answers : question id -> answer text, for this log; they win over remembered ones.
    layouts : remembered layouts; one whose fingerprint equals this log's lends its `decisions["answers"]`.
    zone : IANA name of the zone that stamps without a zone are read in (reported as a notice).

    Returns
    -------
    One `Reading` per log member, in order. Never raises on content: what cannot be read is rejected with one reason, what is
    unsure is held with questions. Missing and unreadable values are NaN; fault markers are listed per channel.
    """
    found = list(members(data, name))
    return [_read_member(m, answers, layouts, zone, several=len(found) > 1) for m in found]


def _read_member(
    member: Member, answers: Mapping[str, str], layouts: Sequence[LayoutFound], zone: str, several: bool
) -> Reading:
    metadata = {"member": member.name} if several else {}
    if member.refusal is not None:
        return Reading("rejected", member.refusal, metadata=metadata)
    decoded = decode(member.data)
    if decoded.refusal is not None:
        return Reading("rejected", decoded.refusal, notices=member.notices, metadata=metadata)
    try:
        return read_text(decoded, answers, layouts, zone, metadata, member.notices)
    except (ArithmeticError, AssertionError, LookupError, TypeError, ValueError) as error:
        # The last net, so that one strange log never stops an import of many. The fuzz tests run without it.
        return Reading(
            "rejected", f"could not be read (a fault of the reader: {type(error).__name__})", metadata=metadata
        )
