"""Who may do what, for a running service: the archive's list, kept for a moment, and the sessions of people signed in."""

from __future__ import annotations

import secrets
import threading
import time
from dataclasses import dataclass
from datetime import datetime

from dashboard.service.limits import Rate, address_key
from ingest.archive import Archive, ArchiveError
from ingest.archive.access import LONGEST_PASSWORD, Access, Person, Token, read_access

FRESH_S = 2.0  # how long a revoked token may still work
SESSION_S = 12 * 3600.0  # a shift
SESSIONS_KEPT = 500
# Wrong guesses: five at once, then one in twelve seconds, from one address. Right ones are not counted.
WRONG_PER_S, WRONG_BURST = 1 / 12, 5
# Tries for one name from anywhere, so that many addresses do not help. Slower would let a stranger lock a person out.
NAME_PER_S, NAME_BURST = 1 / 3, 20
HASHES_AT_ONCE = 2  # each takes 64 MiB and tens of milliseconds


@dataclass(frozen=True)
class Session:
    name: str
    password_since: datetime
    until: float  # monotonic [s]


class Gate:
    """Answers for one archive. `exposed`: the service answers other computers, so nothing is open without access."""

    def __init__(self, archive: Archive, *, exposed: bool = False) -> None:
        self.exposed = exposed
        self._archive = archive
        self._known = Access()
        self._read_at = float("-inf")
        self._lock = threading.Lock()
        self._sessions: dict[str, Session] = {}
        self._hashing = threading.BoundedSemaphore(HASHES_AT_ONCE)
        self._wrong = Rate(WRONG_PER_S, WRONG_BURST)
        self._named = Rate(NAME_PER_S, NAME_BURST)
        self._refresh()

    def _refresh(self) -> None:
        with self._archive.connect(wait_s=10.0 if self._read_at == float("-inf") else 0.5) as con:
            self._known = read_access(con)
        self._read_at = time.monotonic()

    def known(self, fresh: bool = False) -> Access:
        """The list, at most `FRESH_S` old, or read now; while the archive is held or gone, the last one known stands."""
        with self._lock:
            if fresh or time.monotonic() - self._read_at > FRESH_S:
                try:
                    self._refresh()
                except ArchiveError:
                    self._read_at = time.monotonic()  # try again in a moment, not at every request
            return self._known

    def asks_people(self) -> bool:
        """True when pages and reading need a sign-in: somebody has a password, or other computers can ask."""
        return self.exposed or bool(self.known().people)

    def asks_controllers(self) -> bool:
        """True when adding a log needs a token."""
        known = self.known()
        return self.exposed or bool(known.people) or bool(known.tokens)

    # Tokens

    def token(self, given: str | None, address: str | None) -> Token | None:
        """The token in force that `given` is. A wrong one counts against the address."""
        token = self.known().token(given) if given else None
        if token is None and given:
            token = self.known(fresh=True).token(given)  # it may have been added a moment ago
        if token is None and given:
            self._wrong.wait_s(address_key(address))
        return token

    def wait_s(self, address: str | None) -> float:
        """How long this address must wait after wrong guesses [s]; 0 when it need not."""
        return self._wrong.wait_s(address_key(address), take=False)

    # People

    def right(self, name: str, password: str, address: str | None) -> Person | None:
        """The person, when the password is theirs. An unknown name takes as long as a wrong password."""
        from argon2 import PasswordHasher
        from argon2.exceptions import Argon2Error, InvalidHashError

        if len(password.encode("utf-8", "replace")) > LONGEST_PASSWORD or self._named.wait_s(f"name {name[:100]}"):
            self._wrong.wait_s(address_key(address))
            return None
        hasher = PasswordHasher()
        found = tried = None
        for fresh in (False, True):  # the password may have been set a moment ago
            if found is not None:
                break
            person = self.known(fresh).person(name)
            if fresh and person == tried:
                break
            tried = person
            with self._hashing:
                try:
                    hasher.verify(person.password_hash if person else _nobody(), password)
                    found = person
                except (Argon2Error, InvalidHashError):
                    pass
        if found is None:
            self._wrong.wait_s(address_key(address))
        return found

    def sign_in(self, person: Person) -> str:
        """A new session; its secret goes into the person's cookie and is kept here only in memory."""
        secret = secrets.token_urlsafe(32)
        now = time.monotonic()
        with self._lock:
            self._sessions = {key: s for key, s in self._sessions.items() if s.until > now}
            while len(self._sessions) >= SESSIONS_KEPT:
                del self._sessions[next(iter(self._sessions))]
            self._sessions[secret] = Session(person.name, person.changed_at, now + SESSION_S)
        return secret

    def sign_out(self, secret: str) -> None:
        with self._lock:
            self._sessions.pop(secret, None)

    def who(self, secret: str | None) -> str | None:
        """The person whose session this is; None when it ended, or their password was changed or removed since."""
        if not secret:
            return None
        # A dictionary look-up of 256 random bits tells nothing that could be built upon, however long it takes.
        with self._lock:
            session = self._sessions.get(secret)
        if session is None or session.until < time.monotonic():
            return None
        person = self.known().person(session.name)
        return session.name if person is not None and person.changed_at == session.password_since else None


_of_nobody: list[str] = []


def _nobody() -> str:
    """A hash that no password gives, made once."""
    from argon2 import PasswordHasher

    if not _of_nobody:
        _of_nobody.append(PasswordHasher().hash(secrets.token_urlsafe(32)))
    return _of_nobody[0]
