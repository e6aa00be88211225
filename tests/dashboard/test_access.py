"""Access to the service over real HTTP: tokens, sign-in, what each may do, what is never written anywhere."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from archive_helpers import Shop
from page_archives import bake, empty_archive
from service_process import ROOT, Answer, Service, serving
from streamlit.testing.v1 import AppTest

from dashboard.service.limits import Rate, address_key
from dashboard.service.sign_in import _safe_next
from ingest.archive import Archive, open_archive
from ingest.archive.access import add_token, read_access, revoke_token, set_password
from ingest.archive.reference import add_oven

PASSWORD = "four rather plain words"
HTML = {"Accept": "text/html"}


class Closed:
    """A service in which Kim has a password and two controllers have a token."""

    def __init__(self, service: Service, archive: Archive, token: str, bound: str) -> None:
        self.service, self.archive, self.token, self.bound = service, archive, token, bound

    def bearer(self, token: str | None = None) -> dict[str, str]:
        return {"Authorization": f"Bearer {token or self.token}"}

    def sign_in(self, name: str, password: str, to: str = "/") -> Answer:
        from urllib.parse import urlencode

        form = urlencode({"name": name, "password": password, "next": to}).encode()
        return self.service.ask("POST", "/signin", form, {"Content-Type": "application/x-www-form-urlencoded"})


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Closed]:
    archive = empty_archive(tmp_path_factory.mktemp("closed") / "archive.duckdb")
    with archive.transaction() as con:
        oven = add_oven(con, "Bench oven")
        add_oven(con, "Other oven")
        set_password(con, "Kim", PASSWORD)
        _, token = add_token(con, "any controller")
        _, bound = add_token(con, "bench controller", oven_id=oven)
    with serving(archive.path) as service:
        yield Closed(service, archive, token, bound)
        text = service.log.read_text()
    for secret in (PASSWORD, token, bound):
        assert secret not in text
        assert secret[-20:] not in text


def basic(name: str, password: str) -> dict[str, str]:
    return {"Authorization": "Basic " + base64.b64encode(f"{name}:{password}".encode()).decode()}


def cookie(answer: Answer) -> dict[str, str]:
    return {"Cookie": answer.headers["set-cookie"].split(";")[0]}


def test_a_token_adds_logs_and_nothing_else(closed: Closed) -> None:
    said = closed.service.post(bake(minutes=1), closed.bearer(), name="a.csv", oven="Other oven")
    assert said.status == 200
    for method, path in (("GET", "/api/runs"), ("GET", "/api/runs/1"), ("GET", "/"), ("GET", "/_stcore/host-config")):
        assert closed.service.ask(method, path, headers=closed.bearer()).status == 401, path
    line = closed.service.events("import")[-1]
    assert line["controller"] == "any controller"


def test_a_token_of_one_oven_cannot_send_for_another(closed: Closed) -> None:
    said = closed.service.post(bake(minutes=2), closed.bearer(closed.bound), name="b.csv", oven="Other oven")
    assert said.status == 422
    assert "this token is for logs of Bench oven" in said.json["error"]
    said = closed.service.post(bake(minutes=2), closed.bearer(closed.bound), name="b.csv")
    assert said.status == 200
    run = closed.service.ask("GET", f"/api/runs/{said.json[0]['runs'][0]['run']}", headers=basic("Kim", PASSWORD))
    assert run.json["metadata"]["oven"]["value"] == "Bench oven"


def test_a_revoked_token_ends_within_seconds(closed: Closed) -> None:
    with closed.archive.transaction() as con:
        number, token = add_token(con, "short-lived")
    assert closed.service.until(lambda: closed.service.post(b"no log", closed.bearer(token), name="x").status == 422)
    with closed.archive.transaction() as con:
        revoke_token(con, number)
    assert closed.service.until(lambda: closed.service.post(b"no log", closed.bearer(token)).status == 401)


def test_pages_and_socket_are_shut_without_a_sign_in(closed: Closed) -> None:
    ask = closed.service.ask
    there = ask("GET", "/run?run=3", headers=HTML)
    assert (there.status, there.headers["location"]) == (303, "/signin?next=/run%3Frun%3D3")
    page = ask("GET", "/signin", headers=HTML)
    assert page.status == 200
    assert b"<script" not in page.body
    assert "default-src 'none'" in page.headers["content-security-policy"]
    for path in ("/_stcore/host-config", "/static/nothing.js", "/media/x", "/api", "/api/openapi.json", "/anything"):
        assert ask("GET", path).status == 401, path
    upgrade = {
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": base64.b64encode(b"0123456789abcdef").decode(),
    }
    assert ask("GET", "/_stcore/stream", headers=upgrade).status == 403
    # Health tells strangers that it lives, and not what it has done.
    assert ask("GET", "/api/health").json == {"status": "ok"}
    assert ask("GET", "/_stcore/health").status == 200


def test_a_person_signs_in_reads_and_signs_out(closed: Closed) -> None:
    ask = closed.service.ask
    said = closed.sign_in("Kim", PASSWORD, "/runs")
    assert (said.status, said.headers["location"]) == (303, "/runs")
    set_cookie = said.headers["set-cookie"].lower()
    assert "httponly" in set_cookie
    assert "samesite=lax" in set_cookie
    inside = cookie(said)
    assert ask("GET", "/runs", headers={**HTML, **inside}).status == 200
    assert "stored" in ask("GET", "/api/health", headers=inside).json
    assert ask("GET", "/api/runs", headers=inside).status == 200
    upgrade = {
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": base64.b64encode(b"0123456789abcdef").decode(),
    }
    foreign = {"Origin": "http://elsewhere.example"}
    assert ask("GET", "/_stcore/stream", headers={**upgrade, **inside, **foreign}).status == 403
    # Another site can neither sign somebody out nor add a log with their cookie.
    assert ask("POST", "/signout", b"", {**inside, **foreign}).status == 403
    assert closed.service.post(bake(minutes=3), {**inside, **foreign}).status == 403
    assert ask("POST", "/signout", b"", inside).status == 303
    assert ask("GET", "/api/runs", headers=inside).status == 401


def test_a_changed_password_holds_at_once_and_ends_sessions(closed: Closed) -> None:
    with closed.archive.transaction() as con:
        set_password(con, "Robin", PASSWORD + "!")
    first = closed.sign_in("Robin", PASSWORD + "!")
    assert first.status == 303
    inside = cookie(first)
    assert closed.service.ask("GET", "/api/runs", headers=inside).status == 200
    with closed.archive.transaction() as con:
        set_password(con, "Robin", PASSWORD + "?")
    assert closed.sign_in("Robin", PASSWORD + "?").status == 303
    assert closed.service.ask("GET", "/api/runs", headers=inside).status == 401
    assert closed.sign_in("Robin", PASSWORD + "!").status == 403


@pytest.mark.parametrize(
    "header",
    ["", "Bearer", "Bearer ", "Bearer x", "Basic", "Basic !!!", "Basic " + "A" * 4000, "bearer \xff\xfe", "Digest a=b"],
)
def test_broken_credentials_are_refused_plainly(closed: Closed, header: str) -> None:
    said = closed.service.post(bake(minutes=4), {"Authorization": header} if header else {})
    assert said.status in (401, 429)
    assert "error" in said.json


# The last one: it uses up the guesses of this address.
def test_guessing_is_slowed_down_and_a_token_still_works(closed: Closed) -> None:
    statuses = [closed.sign_in("Kim", f"wrong guess number {n}").status for n in range(8)]
    assert set(statuses) <= {403, 429}
    assert statuses[-1] == 429
    assert closed.sign_in("Kim", PASSWORD).status == 429  # from here, for a while
    assert closed.service.post(bake(minutes=5), closed.bearer("ovenbook-wrong")).status == 429
    assert closed.service.post(bake(minutes=5), closed.bearer()).status == 200


@pytest.mark.parametrize("host", ["0.0.0.0", "::"])
def test_an_address_for_others_is_refused_until_somebody_has_a_password(tmp_path: Path, host: str) -> None:
    said = Shop(tmp_path).quick("serve", "--host", host, "--port", "8999")
    assert said.status == 1
    assert "nobody has a password yet" in said.err
    assert "ovenbook access password NAME" in said.err
    assert len(said.err.strip().splitlines()) == 1
    assert said.out == ""


def test_the_command_line_makes_lists_and_revokes(tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    shop.quick("oven", "add", "Bench oven")
    made = shop.quick("access", "token", "add", "bench", "--oven", "Bench oven")
    assert made.status == 0
    token = made.out.splitlines()[0]
    assert re.fullmatch(r"ovenbook-[\w-]{43}", token)
    with open_archive(shop.archive).connect() as con:
        assert read_access(con).token(token) is not None
    listed = shop.quick("access", "token", "list")
    assert "bench" in listed.out
    assert token not in listed.out
    assert shop.quick("access", "token", "list", "--json").json[0]["oven"] == "Bench oven"
    assert shop.quick("access", "token", "revoke", "1").status == 0
    assert shop.quick("access", "token", "revoke", "1").status == 1
    assert shop.quick("access", "password", "Kim", stdin=PASSWORD.encode() + b"\n").status == 0
    assert shop.quick("access", "password", "Robin", stdin=b"short\n").status == 1
    assert [row["name"] for row in shop.quick("access", "list", "--json").json] == ["Kim"]
    assert shop.quick("access", "password", "Kim", "--remove").status == 0
    assert shop.quick("access", "list", "--json").json == []


def test_the_page_makes_a_token_shows_it_once_and_revokes_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = empty_archive(tmp_path / "a.duckdb")
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(archive.path))
    at = AppTest.from_file(str(ROOT / "dashboard" / "main.py"), default_timeout=60).run()
    at.switch_page("pages/access.py").run()
    assert not at.exception
    hostile = "<b>bench</b> **x**"
    at.text_input[0].set_value(hostile)
    at.button[0].click().run()
    assert not at.exception
    token = next(c.value for c in at.code if c.value.startswith("ovenbook-"))
    with archive.connect() as con:
        assert read_access(con).token(token) is not None
    table = "".join(element.proto.body for element in at.get("html"))
    assert "<b>bench" not in table
    assert "&lt;b&gt;bench" in table
    at.run()
    assert not any(c.value == token for c in at.code)
    at.selectbox[1].set_value(1)
    at.button[1].click().run()
    assert not at.exception
    with archive.connect() as con:
        assert read_access(con).tokens == ()


@pytest.mark.parametrize(
    ("to", "where"),
    [
        ("/runs", "/runs"),
        ("/run?run=3", "/run?run=3"),
        ("//elsewhere.example/x", "/"),
        ("https://elsewhere.example", "/"),
        ("/\\elsewhere.example", "/"),
        ("javascript:alert(1)", "/"),
        ("/a\r\nSet-Cookie: x", "/"),
        ("", "/"),
    ],
)
def test_after_the_sign_in_nobody_is_sent_elsewhere(to: str, where: str) -> None:
    assert _safe_next(to) == where


def test_rates_count_for_each_asker() -> None:
    rate = Rate(per_second=0.001, burst=3)
    assert [rate.wait_s("a") > 0 for _ in range(4)] == [False, False, False, True]
    assert rate.wait_s("b") == 0
    # RFC 4291, section 2.5.4: the last 64 bits are the interface's own choice.
    assert address_key("2001:db8::1") == address_key("2001:db8::ffff") != address_key("2001:db8:0:1::1")
    assert address_key("::ffff:192.0.2.1") != address_key("::ffff:192.0.2.2")
    assert address_key(None) == address_key("nonsense") == "unknown"
