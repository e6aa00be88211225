"""Files and what is in them: a zip holds several logs, each one a log of its own name, `archive.zip!member.csv`."""

from __future__ import annotations

import glob
import os
import re
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from zipfile import ZipFile, ZipInfo

MEMBER_MARK = "!"
MAX_MEMBERS = 5000  # a season of logs; more points at the wrong zip
MAX_MEMBER_BYTES = 512 * 1024 * 1024  # a day of one-line-per-millisecond logging is well below
MAX_UNPACKED = 256 * 1024 * 1024  # of one upload, by page or API; a hundred thousand samples of eight channels are 8 MB
MAX_ZIP_BYTES = 2 * 1024 * 1024 * 1024  # of a file on this computer: keeps a crafted zip from filling memory
_PIECE = 2**20
_ARCHIVE_SUFFIXES = (".duckdb", ".duckdb.wal")
_SPOOL_SUFFIX = ".spool"


@dataclass(frozen=True)
class Member:
    """One log to be: its name and bytes, or why there are none."""

    name: str
    data: bytes = b""
    problem: str | None = None


def members(data: bytes, name: str, *, max_bytes: int = MAX_ZIP_BYTES) -> Iterator[Member]:
    """The logs in these bytes: themselves, or each file in a zip (a zip in a zip is opened once more).

    At most `max_bytes` are unpacked, of all files together. Never raises on content: a broken, encrypted or oversized zip
    or member becomes a Member with its `problem`.
    """
    yield from _members(data, name, 2, _Room(max_bytes, MAX_MEMBERS))


@dataclass
class _Room:
    """How much may still be unpacked, of all zips in one file together."""

    left: int
    files: int


def _members(data: bytes, name: str, depth: int, room: _Room) -> Iterator[Member]:
    if not data.startswith((b"PK\x03\x04", b"PK\x05\x06")) or depth == 0:
        yield Member(name, data)
        return
    import io
    import zipfile

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            inside = [i for i in packed.infolist() if not i.is_dir() and not _is_clutter(i.filename)]
            if not inside:
                yield Member(name, data, "the zip holds no file")
                return
            room.files -= len(inside)
            if room.files < 0 or sum(i.file_size for i in inside) > room.left:
                yield Member(name, data, f"the zip holds more than can be unpacked at once ({len(inside)} files)")
                return
            for info in inside:
                member_name = f"{name}{MEMBER_MARK}{info.filename}"
                problem = None
                unpacked = b""
                if info.flag_bits & 0x1:
                    problem = "the file in the zip is encrypted: unpack it first"
                elif info.file_size > MAX_MEMBER_BYTES:
                    problem = f"the file in the zip is larger than {MAX_MEMBER_BYTES // 1024**2} MB"
                else:
                    try:
                        unpacked = _unpacked(packed, info)
                        room.left -= len(unpacked)
                    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, RuntimeError) as e:
                        problem = f"the file in the zip cannot be unpacked ({e})"
                if problem:
                    yield Member(member_name, problem=problem)
                else:
                    yield from _members(unpacked, member_name, depth - 1, room)
    except (zipfile.BadZipFile, EOFError, ValueError, OSError) as e:
        yield Member(name, data, f"the zip is damaged ({e})")


def _unpacked(packed: ZipFile, info: ZipInfo) -> bytes:
    """In pieces: read whole, a member that holds more than it says would be unpacked whole before it is cut."""
    out = bytearray()
    with packed.open(info) as stream:
        while piece := stream.read(_PIECE):
            out += piece
    return bytes(out)


def _is_clutter(path: str) -> bool:
    return any(part.startswith((".", "__MACOSX")) for part in path.split("/"))


def find_files(paths: Iterable[str | os.PathLike[str]]) -> Iterator[tuple[Path | None, str]]:
    """Every file that files, folders and globs name, each once: (path, name). Folders in natural order, with subfolders.

    The name is the file's, for one found in a folder with the subfolders before it. A path that names nothing comes as
    (None, as given). Inside folders, hidden files, archives of ours and their spools are left out.
    """
    seen: set[Path] = set()
    for given in paths:
        path = Path(given).expanduser()
        found: list[tuple[Path, str]] = []
        if path.is_dir():
            found = [(p, p.relative_to(path).as_posix()) for p in path.rglob("*") if is_log_candidate(p, path)]
        elif path.exists():
            found = [(path, path.name)]
        else:
            found = [(p, p.name) for p in map(Path, glob.glob(str(path), recursive=True)) if p.is_file()]
            if not found:
                yield None, str(given)
        for file, name in sorted(found, key=lambda f: natural_key(f[0])):
            real = file.resolve()
            if real not in seen:
                seen.add(real)
                yield file, _as_text(name)


def _as_text(name: str) -> str:
    """A file name as text that can be stored: bytes that are no UTF-8 (old disks, other systems) become a mark each."""
    return os.fsencode(name).decode("utf-8", "replace")


def natural_key(path: Path) -> list[tuple[int, int | str]]:
    """Sort key that puts run2 before run10."""
    return [(0, int(w)) if w.isdecimal() else (1, w.casefold()) for w in re.split(r"(\d+)", str(path)) if w]


def is_archive_file(archive_path: Path, path: Path) -> bool:
    """True when `path` is the archive's own file or its write-ahead log, under whatever name. Opens nothing."""
    for own in (archive_path, archive_path.with_name(archive_path.name + ".wal")):
        try:
            if os.path.samestat(os.stat(own), os.stat(path)):
                return True
        except OSError:
            continue
    return False


def is_log_candidate(path: Path, folder: Path) -> bool:
    """True for a file in a folder that may be a log: not hidden, not an archive of ours, not in a spool."""
    inner = path.relative_to(folder)
    if any(part.startswith(".") or part.endswith(_SPOOL_SUFFIX) for part in inner.parts):
        return False
    return path.is_file() and not path.name.lower().endswith(_ARCHIVE_SUFFIXES)
