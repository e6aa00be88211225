"""Bytes to text: container, size, encoding.

Order of clues
1. Container: gzip and zip by their first bytes; members are unpacked in pieces up to `MAX_BYTES`, so a decompression bomb
   costs no more than that. Other known binary formats are refused by name.
2. Size: more than `MAX_BYTES`, or one line longer than `MAX_LINE`, is refused before any text is made from it.
3. Encoding: byte-order mark; NULs in every second byte (UTF-16/32 without a mark); strict UTF-8; else single-byte code pages,
   the one in which most of the non-ASCII bytes become letters and signs that column names use wins, Windows-1252 on a tie.
4. NUL bytes, terminal colour codes and control characters: NULs that end every line are dropped; a line with NULs anywhere
   else was damaged (a card pulled out), and becomes unreadable rather than being glued together.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from ingest.reading.words import is_known_word
from ingest.recording import Notice

MAX_BYTES = 64 * 2**20  # a week at 1 s with eight channels is 40 MB; more is not a run log
MAX_LINE = 2**16  # no row of a run log is longer; a minified or binary file is
MAX_MEMBERS = 2000
DAMAGED = "\x00"  # stands in a decoded line for "bytes were lost here"


@dataclass(frozen=True)
class Member:
    """One log inside the given bytes. `refusal` is set when its bytes cannot be had."""

    name: str
    data: bytes
    refusal: str | None = None
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True)
class Decoded:
    text: str
    encoding: str
    notices: tuple[Notice, ...] = ()
    refusal: str | None = None


_MAGIC = (
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"%PDF", "a PDF document"),
    (b"{\\rtf", "a rich-text document: save the table as CSV"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old spreadsheet or document file: save the table as CSV"),
    (b"PAR1", "a Parquet file: save the table as CSV"),
    (b"SQLite format 3", "a database file"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
    (b"RIFF", "a media file"),
    (b"7z\xbc\xaf", "a 7z archive: unpack it first"),
    (b"Rar!", "a RAR archive: unpack it first"),
    (b"BZh", "a bzip2 archive: unpack it first"),
    (b"\xfd7zXZ", "an xz archive: unpack it first"),
    (b"(\xb5/\xfd", "a zstd archive: unpack it first"),
)


def members(data: bytes, name: str) -> Iterator[Member]:
    """The logs inside `data`: itself, or what a gzip or zip holds. Never raises on content."""
    if data[:2] == b"\x1f\x8b":
        yield _gunzip(data, name)
    elif data[:4] in (b"PK\x03\x04", b"PK\x05\x06"):
        yield from _unzip(data, name)
    else:
        yield Member(name, data)


def _too_big() -> str:
    return f"larger than {MAX_BYTES // 2**20} MB unpacked: not read"


def _gunzip(data: bytes, name: str) -> Member:
    out, rest, notices = bytearray(), data, []
    while rest[:2] == b"\x1f\x8b":
        engine = zlib.decompressobj(wbits=31)
        try:
            out += engine.decompress(rest, MAX_BYTES + 1 - len(out))
        except zlib.error:
            if not out:
                return Member(name, b"", "a damaged gzip file: nothing could be unpacked")
            notices.append(
                Notice("archive_damaged", "The gzip file is damaged; only the part before the damage was read.")
            )
            break
        if len(out) > MAX_BYTES:
            return Member(name, b"", _too_big())
        if not engine.eof:
            notices.append(Notice("archive_cut", "The gzip file ends early; only the part that is there was read."))
            break
        rest = engine.unused_data.lstrip(b"\0")
    return Member(name.removesuffix(".gz"), bytes(out), notices=tuple(notices))


def _unzip(data: bytes, name: str) -> Iterator[Member]:
    try:
        box = zipfile.ZipFile(io.BytesIO(data))
        listed = box.infolist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError, OSError, EOFError):
        yield Member(name, b"", "a damaged zip file: its table of contents is missing")
        return
    names = {i.filename for i in listed}
    if "[Content_Types].xml" in names or "mimetype" in names:
        yield Member(name, b"", "a spreadsheet or document file: save the table as CSV")
        return
    wanted = [i for i in listed if not i.is_dir() and not re.search(r"(^|/)(__MACOSX/|\.)", i.filename)]
    if not wanted:
        yield Member(name, b"", "an empty zip file")
    elif len(wanted) > MAX_MEMBERS:
        yield Member(name, b"", f"a zip file with more than {MAX_MEMBERS} members: unpack it first")
    else:
        left = 4 * MAX_BYTES  # for all members together
        for info in wanted:
            member = _zip_member(box, info, min(left, MAX_BYTES))
            left -= len(member.data)
            if member.data[:2] == b"\x1f\x8b":
                member = _gunzip(member.data, member.name)
            yield member


def _zip_member(box: zipfile.ZipFile, info: zipfile.ZipInfo, limit: int) -> Member:
    if info.flag_bits & 1:
        return Member(info.filename, b"", "a zip member with a password: unpack it first")
    out, notices = bytearray(), ()
    try:
        with box.open(info) as stream:
            while piece := stream.read(min(2**16, limit + 1 - len(out))):
                out += piece
                if len(out) > limit:
                    return Member(info.filename, b"", _too_big())
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, OSError, RuntimeError, ValueError):
        if not out:
            return Member(info.filename, b"", "a damaged or unsupported zip member")
        notices = (
            Notice("archive_damaged", "The zip member is damaged; only the part that could be unpacked was read."),
        )
    return Member(info.filename, bytes(out), notices=notices)


def decode(data: bytes) -> Decoded:
    """Text of one member, or the reason why it is not one."""
    if len(data) > MAX_BYTES:
        return Decoded("", "", refusal=_too_big())
    if not data or not data.strip(b"\0 \t\r\n\x1a\xef\xbb\xbf\xff\xfe"):
        return Decoded("", "", refusal="empty")
    for magic, what in _MAGIC:
        if data.startswith(magic):
            return Decoded("", "", refusal=f"not a log: {what}")
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in data[:200]
    if len(data) > MAX_LINE and _has_long_line(data, MAX_LINE * (4 if wide else 1)):
        return Decoded("", "", refusal=f"not a log: a line is longer than {MAX_LINE // 1024} KB")
    text, encoding, notices = _to_text(data)
    if text is None:
        return Decoded("", "", refusal="not a log: binary data")
    text, more = _clean(text)
    if text is None:
        return Decoded("", "", refusal="not a log: binary data")
    return Decoded(text, encoding, tuple(notices + more))


def _has_long_line(data: bytes, limit: int) -> bool:
    """True when no line end lies within some `limit` bytes; constant memory, one look per `limit` bytes."""
    at = 0
    while at + limit < len(data):
        end = max(data.rfind(b"\n", at, at + limit), data.rfind(b"\r", at, at + limit))
        if end < 0:
            return True
        at = end + 1
    return False


def _to_text(data: bytes) -> tuple[str | None, str, list[Notice]]:
    if data.startswith(b"\xef\xbb\xbf"):
        try:
            return data[3:].decode("utf-8"), "utf-8-sig", []
        except UnicodeDecodeError:
            data = data[3:]  # a mark put before other text by a copying program
    if data.startswith((b"\xff\xfe\0\0", b"\0\0\xfe\xff")):
        return data.decode("utf-32", errors="replace"), "utf-32", []
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        cut = len(data) % 2
        return data[: len(data) - cut].decode("utf-16", errors="replace"), "utf-16", []
    if b"\0" in data:
        guess = _wide_without_mark(data)
        if guess:
            cut = len(data) % 2
            return data[: len(data) - cut].decode(guess, errors="replace"), guess, []
    try:
        return data.decode("utf-8"), "ascii" if data.isascii() else "utf-8", []
    except UnicodeDecodeError:
        pass
    mostly = data.decode("utf-8", errors="replace")
    broken = mostly.count("\ufffd")
    good = sum(1 for c in mostly if c > "\x7f" and c != "\ufffd") if len(mostly) < 2**20 else 0
    if good > 3 * broken:  # UTF-8 with a few damaged bytes
        return mostly, "utf-8", [Notice("encoding_damaged", f"{broken} bytes are not valid UTF-8 and were replaced.")]
    return _single_byte(data)


def _wide_without_mark(data: bytes) -> str | None:
    """UTF-16 by its NULs: in text of Latin letters every second byte is NUL."""
    head = data[:4096]
    even, odd = head[0::2], head[1::2]
    e, o = even.count(0) / max(1, len(even)), odd.count(0) / max(1, len(odd))
    if o > 0.7 and e < 0.1:
        return "utf-16-le"
    if e > 0.7 and o < 0.1:
        return "utf-16-be"
    return None


_CODE_PAGES = ("cp1252", "mac_roman", "cp850", "cp1250", "cp1251", "gb18030", "cp932")
_EXPECTED = {
    "cp1252": "°äöüÄÖÜßéèêàçñáíóúãõâôåøæµºîïûùìò±²³´", "mac_roman": "°äöüÄÖÜßéèêàçñáíóúãõâôåøæµºîïûùìò",
    "cp850": "°äöüÄÖÜßéèêàçñáíóúãõâôåøæµºîïûùìò", "cp1250": "ąćęłńóśźżŚŁŻ°áéíóúčěřšžýůőűÖöüä",
}  # fmt: skip


def _single_byte(data: bytes) -> tuple[str | None, str, list[Notice]]:
    lines = [ln for ln in data[: 2**18].replace(b"\r", b"\n").split(b"\n") if not ln.isascii()][:200]
    sample = b"\n".join(lines)
    best, best_score = "cp1252", -1.0
    for page in _CODE_PAGES:
        try:
            text = sample.decode(page)
        except UnicodeDecodeError:
            if page != "cp1252":
                continue
            text = sample.decode(page, errors="replace")
        score = _looks_like_names(text, page)
        if score > best_score + 1e-9:
            best, best_score = page, score
    return data.decode(best, errors="replace"), best, []


_HIGH_WORD = re.compile(r"[^\W\d_]*[^\x00-\x7f\W\d_][^\W\d_]*")


def _looks_like_names(text: str, page: str) -> float:
    """Share of the non-ASCII characters that fit a log in this code page, with a bonus for words of the trade."""
    high = [c for c in text if c > "\x7f"]
    if not high:
        return 0.0
    expected = _EXPECTED.get(page)
    fits = sum(c in expected for c in high) if expected else 0.5 * sum(c.isalpha() or c in "°℃" for c in high)
    return fits / len(high) + min(1.0, 0.3 * _known_words(text))


def _known_words(text: str) -> int:
    """How many words with non-ASCII letters, and degree signs before a unit letter, the vocabulary knows."""
    words = set(_HIGH_WORD.findall(text))
    return sum(1 for w in words if is_known_word(w)) + (1 if re.search(r"° ?[CFK]\b|℃|℉", text) else 0)


_ANSI = re.compile("\x1b\\[[0-9;?]*[A-Za-z]")
_CONTROL = re.compile("[\x01-\x08\x0b\x0c\x0e-\x1f\x7f]")
_NUL_END = re.compile("\0+(?=\n|$)")


def _clean(text: str) -> tuple[str | None, list[Notice]]:
    notices: list[Notice] = []
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if text[:1] == "\ufeff":
        text = text[1:]
    if "\x1b" in text:
        text = _ANSI.sub("", text)
    if _CONTROL.search(text):
        controls = len(_CONTROL.findall(text[: 2**20]))
        if controls > 0.02 * min(len(text), 2**20) + 20:
            return None, []
        text = _CONTROL.sub("", text)
    if text.count("\ufffd") > 0.05 * len(text) + 20:
        return None, []
    if "\0" in text:
        lines = text.count("\n") + 1
        if len(_NUL_END.findall(text)) > 0.8 * lines > 4:
            text = _NUL_END.sub("", text)  # a program that writes the end mark of its strings
        if "\0" in text:
            nuls = text.count("\0")
            text = re.sub("\0+", DAMAGED, text)
            notices.append(
                Notice("nul_bytes", f"{nuls} NUL bytes: the lines that hold them were damaged and left out.")
            )
    return text, notices
