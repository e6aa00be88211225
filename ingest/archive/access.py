"""Who may use the service: tokens of controllers and passwords of people. The archive holds hashes of both, never either."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from ingest.archive.changes import record_change
from ingest.archive.clock import aware, stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError

if TYPE_CHECKING:
    import pandas as pd

TOKEN_START = "ovenbook-"  # so that a token found in a script or a log is known for what it is
TOKEN_BYTES = 32  # 256 random bits: not to be guessed, so a quick hash is enough
SHORTEST_PASSWORD = (
    12  # characters; NIST SP 800-63B-4 asks for 15 where a password is all there is, 8 beside another proof
)
LONGEST_PASSWORD = 1024  # bytes; hashing more would only cost time
LONGEST_NAME = 80


@dataclass(frozen=True)
class Token:
    """A token in force: its number, its controller's name, its oven by name (None: the sender may say), its hash."""

    token_id: int
    name: str
    oven: str | None
    sha256: str


@dataclass(frozen=True)
class Person:
    """Someone who may sign in."""

    name: str
    password_hash: str
    changed_at: datetime


@dataclass(frozen=True)
class Access:
    """Everyone who may use the service now."""

    tokens: tuple[Token, ...] = ()
    people: tuple[Person, ...] = ()

    def token(self, given: str) -> Token | None:
        """The token that `given` is, or None. Looks at every one, in constant time each."""
        wanted = _hash(given)
        found = None
        for token in self.tokens:
            if hmac.compare_digest(token.sha256, wanted):
                found = token
        return found

    def person(self, name: str) -> Person | None:
        return next((person for person in self.people if person.name == name), None)


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


def add_token(con: Connection, name: str, *, oven_id: int | None = None, who: str | None = None) -> tuple[int, str]:
    """A new token for the controller `name`: its number, and the token, which is nowhere else and never shown again.

    Raises ArchiveError: no name, a name already in force, no such oven.
    """
    name = _good_name(name, "controller")
    if con.execute("SELECT 1 FROM access_token WHERE lower(name) = lower(?) AND revoked_at IS NULL", [name]).fetchone():
        raise ArchiveError(f'a token for "{name}" is in force already: revoke it first, or give another name')
    if oven_id is not None and not con.execute("SELECT 1 FROM oven WHERE oven_id = ?", [oven_id]).fetchone():
        raise ArchiveError(f"there is no oven {oven_id}")
    token = TOKEN_START + secrets.token_urlsafe(TOKEN_BYTES)
    number = con.execute("SELECT nextval('access_token_seq')").fetchone()
    token_id = int(number[0]) if number else 0
    con.execute(
        "INSERT INTO access_token VALUES (?, ?, ?, ?, ?, ?, NULL, NULL)",
        [token_id, name, oven_id, _hash(token), who, stored(utc_now())],
    )
    record_change(con, "access_token", token_id, "made", None, name, who, None)
    return token_id, token


def revoke_token(con: Connection, token_id: int, who: str | None = None) -> str:
    """Ends a token; its line stays in the list. Returns the controller's name. ArchiveError: none of that number in force."""
    row = con.execute(
        "UPDATE access_token SET revoked_at = ?, revoked_by = ? WHERE token_id = ? AND revoked_at IS NULL RETURNING name",
        [stored(utc_now()), who, token_id],
    ).fetchone()
    if row is None:
        raise ArchiveError(f"there is no token {token_id} in force: ovenbook access token list")
    record_change(con, "access_token", token_id, "revoked", None, str(row[0]), who, None)
    return str(row[0])


def list_tokens(con: Connection) -> pd.DataFrame:
    """Every token, newest first: token (number), name, oven, who, created_at, revoked_at, revoked_by (UTC); no hash."""
    return con.execute(
        """SELECT token_id AS token, t.name, o.name AS oven, who, t.created_at, revoked_at, revoked_by
           FROM access_token t LEFT JOIN oven o USING (oven_id) ORDER BY token_id DESC"""
    ).df()


def list_people(con: Connection) -> pd.DataFrame:
    """Who may sign in: name, changed_at (UTC, when the password was set); no hash."""
    return con.execute("SELECT name, changed_at FROM access_person ORDER BY name").df()


def set_password(con: Connection, name: str, password: str, who: str | None = None) -> None:
    """Lets the person `name` sign in with `password`, or changes it; open sessions of theirs end.

    The hash is argon2id at the library's default cost (RFC 9106, low-memory choice). Raises ArchiveError: no name, a
    password that is too short, too long, or the name itself.
    """
    from argon2 import PasswordHasher

    name = _good_name(name, "person")
    if len(password) < SHORTEST_PASSWORD:
        raise ArchiveError(f"a password needs {SHORTEST_PASSWORD} characters or more: a few words make a good one")
    if len(password.encode()) > LONGEST_PASSWORD:
        raise ArchiveError(f"a password can have {LONGEST_PASSWORD} bytes at most")
    if password.casefold() == name.casefold():
        raise ArchiveError("the name is no password")
    con.execute(
        "INSERT OR REPLACE INTO access_person VALUES (?, ?, ?)",
        [name, PasswordHasher().hash(password), stored(utc_now())],
    )
    record_change(con, "access_person", 0, "password", None, name, who, None)


def remove_person(con: Connection, name: str, who: str | None = None) -> None:
    """Ends a person's access. ArchiveError: nobody of that name."""
    if con.execute("DELETE FROM access_person WHERE name = ? RETURNING name", [name]).fetchone() is None:
        raise ArchiveError(f'nobody called "{name}" may sign in: ovenbook access list')
    record_change(con, "access_person", 0, "removed", name, None, who, None)


def read_access(con: Connection) -> Access:
    """Everyone who may use the service now."""
    tokens: Sequence[tuple[int, str, str | None, str]] = con.execute(
        """SELECT token_id, t.name, o.name, sha256 FROM access_token t LEFT JOIN oven o USING (oven_id)
           WHERE revoked_at IS NULL ORDER BY token_id"""
    ).fetchall()
    people = con.execute("SELECT name, password_hash, changed_at FROM access_person ORDER BY name").fetchall()
    return Access(
        tuple(Token(*row) for row in tokens),
        tuple(Person(name, kept, aware(at) or utc_now()) for name, kept, at in people),
    )


def _good_name(name: str, what: str) -> str:
    name = name.strip()
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise ArchiveError(f"a {what} needs a name of 1 to {LONGEST_NAME} printable characters")
    return name
