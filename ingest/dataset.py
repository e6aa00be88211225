"""A published data set: Parquet files in a folder or an object store, and who put what there.

    runs/oven=NAME/month=2025-03/PUBLISHER-CONTENT.parquet     and the same for every other table of `ingest.publishing`
    reference/PUBLISHER/oven-CONTENT.parquet                   ovens, pastes, jars, boards, windows, events ...
    manifests/PUBLISHER.json                                   which files count; written last, in one piece

A publisher is one archive. Each writes only files and a manifest of its own, so that any number can publish side by
side without a coordinator. A file's name holds a hash of its content: it is written once and never changed.
"""

from __future__ import annotations

import json
import os
import shutil
import uuid
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

from ingest.archive.errors import ArchiveError

FORMAT = 1
UNKNOWN = "__HIVE_DEFAULT_PARTITION__"  # how partitioned data sets call a missing value
INSTALL = "pip install 'ovenbook[fleet]'"


class Place:
    """A folder: reads, writes and removes files by their path below it. Writes land whole or not at all."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def __str__(self) -> str:
        return str(self.root)

    def read(self, name: str) -> bytes | None:
        """The file's bytes; None when there is no such file."""
        try:
            return (self.root / name).read_bytes()
        except FileNotFoundError:
            return None

    def put(self, source: Path, name: str) -> None:
        """Moves a finished file to its place."""
        to = self.root / name
        to.parent.mkdir(parents=True, exist_ok=True)
        part = to.with_name(f".{to.name}.{uuid.uuid4().hex}.part")
        try:
            shutil.copyfile(source, part)  # the scratch folder may be on another disk: a rename would not do
            os.replace(part, to)
        finally:
            part.unlink(missing_ok=True)
            source.unlink(missing_ok=True)

    def settle(self, names: Iterable[str]) -> None:
        """Makes files that were put last through a power cut; before the list that names them is written."""
        for name in names:  # after the first the system has little left to do: far quicker than one by one as they come
            with (self.root / name).open("rb+") as file:
                os.fsync(file.fileno())

    def remove(self, names: Iterable[str]) -> None:
        for name in names:
            path = self.root / name
            path.unlink(missing_ok=True)
            for folder in (path.parent, path.parent.parent):
                if folder != self.root and folder.is_dir() and not any(folder.iterdir()):
                    folder.rmdir()

    def names(self, folder: str) -> list[str]:
        """Names of the files in one folder, sorted."""
        here = self.root / folder
        return sorted(p.name for p in here.iterdir() if p.is_file()) if here.is_dir() else []

    def local(self, name: str, scratch: Path) -> Path:
        """The file as one on this machine; ArchiveError when it is gone."""
        del scratch
        path = self.root / name
        if not path.is_file():
            raise _gone(name)
        return path


class RemotePlace(Place):
    """The same for a URL that fsspec knows. Object stores put a file in one piece; the manifest is written last anyhow."""

    def __init__(self, url: str) -> None:
        try:
            import fsspec
        except ImportError:
            raise ArchiveError(f"{url} needs fsspec, which is not installed: {INSTALL}") from None
        try:
            self._files, root = fsspec.url_to_fs(url)
        except (ValueError, ImportError) as error:  # an unknown protocol, or one whose package is not installed
            raise ArchiveError(f"{url} cannot be opened: {' '.join(str(error).split())}") from None
        self._root = str(root).rstrip("/")
        self._url = url

    def __str__(self) -> str:
        return self._url

    def read(self, name: str) -> bytes | None:
        try:
            return self._files.cat_file(f"{self._root}/{name}")
        except FileNotFoundError:
            return None

    def put(self, source: Path, name: str) -> None:
        to = f"{self._root}/{name}"
        self._files.makedirs(to.rpartition("/")[0], exist_ok=True)
        self._files.put_file(str(source), to)
        source.unlink()

    def settle(self, names: Iterable[str]) -> None:
        del names  # what an object store has taken, it has

    def remove(self, names: Iterable[str]) -> None:
        for name in names:
            if self._files.exists(f"{self._root}/{name}"):
                self._files.rm_file(f"{self._root}/{name}")

    def names(self, folder: str) -> list[str]:
        self._files.invalidate_cache()
        try:
            found = self._files.ls(f"{self._root}/{folder}", detail=False)
        except FileNotFoundError:
            return []
        return sorted(str(path).rpartition("/")[2] for path in found)

    def local(self, name: str, scratch: Path) -> Path:
        to = scratch / name.replace("/", "_")
        if not to.exists():
            try:
                self._files.get_file(f"{self._root}/{name}", str(to))
            except FileNotFoundError:
                raise _gone(name) from None
        return to


def place_of(destination: str | os.PathLike[str]) -> Place:
    """A folder, or a URL such as s3://bucket/ovens. ArchiveError: fsspec, or its package for the protocol, is missing."""
    text = os.fspath(destination)
    if text.startswith("file://"):
        text = text.removeprefix("file://")
    if "://" in text:
        return RemotePlace(text)
    return Place(Path(text).expanduser().resolve())


def _gone(name: str) -> ArchiveError:
    return ArchiveError(f"{name} is gone: somebody published meanwhile, run the same command again")


def partition_path(oven: str | None, month: str | None) -> str:
    """`oven=Oven%20A/month=2025-03`; what is unknown stands in the partition that means so."""

    def value(text: str | None) -> str:
        return UNKNOWN if text is None else quote(text, safe="")

    return f"oven={value(oven)}/month={value(month)}"


@dataclass(frozen=True)
class Part:
    """One oven's runs of one month (UTC) by one publisher. `files`: table -> file; a table without a row has none."""

    oven: str | None
    month: str | None
    runs: int
    files: dict[str, str]

    @property
    def path(self) -> str:
        return partition_path(self.oven, self.month)


@dataclass(frozen=True)
class Manifest:
    """What one archive has published. `schema`: of its tables; `reference`: table -> file; `site` as given, or None."""

    publisher: str
    schema: int
    zone: str
    site: str | None
    published_at: str
    parts: tuple[Part, ...] = ()
    reference: dict[str, str] = field(default_factory=dict[str, str])

    def files(self) -> set[str]:
        return {*self.reference.values(), *(name for part in self.parts for name in part.files.values())}


def manifest_name(publisher: str) -> str:
    return f"manifests/{publisher}.json"


def write_json(place: Place, name: str, value: dict[str, Any], scratch: Path) -> None:
    """One JSON file, in one piece."""
    file = scratch / "written.json"
    file.write_text(json.dumps(value, indent=1, ensure_ascii=False), encoding="utf-8")
    place.put(file, name)
    place.settle([name])


def write_manifest(place: Place, manifest: Manifest, scratch: Path) -> None:
    write_json(place, manifest_name(manifest.publisher), {"format": FORMAT, **asdict(manifest)}, scratch)


def read_manifest(place: Place, publisher: str) -> Manifest | None:
    """What this publisher has put there, None for nothing. ArchiveError for a format of a newer Ovenbook, or damage."""
    name = manifest_name(publisher)
    raw = place.read(name)
    if raw is None:
        return None
    try:
        value = json.loads(raw)
        number = value.pop("format")
        if number == FORMAT:
            return Manifest(**{**value, "parts": tuple(Part(**part) for part in value["parts"])})
    except (ValueError, KeyError, TypeError, AttributeError):
        raise ArchiveError(f"{place}/{name} is damaged: delete it and publish again") from None
    raise ArchiveError(f"{place} was published by a newer Ovenbook (format {number}): update Ovenbook")


def read_manifests(place: Place) -> list[Manifest]:
    """All publishers' manifests, the newest first. ArchiveError when there is none, or one of another schema."""
    from ingest.archive.migrate import migrations

    found: list[Manifest] = []
    for name in place.names("manifests"):
        manifest = read_manifest(place, name.removesuffix(".json")) if name.endswith(".json") else None
        if manifest is not None:
            found.append(manifest)
    if not found:
        raise ArchiveError(f"{place} holds no published data set: make one with `ovenbook publish {place}`")
    known = len(migrations())
    for manifest in found:
        if manifest.schema != known:
            way_out = "publish there again" if manifest.schema < known else "update Ovenbook here"
            raise ArchiveError(
                f"{place}: {manifest.site or manifest.publisher} published with schema {manifest.schema}, this Ovenbook "
                f"has {known}: {way_out}"
            )
    return sorted(found, key=lambda m: (m.published_at, m.publisher), reverse=True)
