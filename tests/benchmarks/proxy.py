"""The TLS front of DEVELOPERS.md, as printed there, in front of a real service: pages, web socket, API, guesses.

    apt-get install nginx-light openssl chromium, then as root (port 443): python tests/benchmarks/proxy.py

Everything on 127.0.0.1; the certificate is made for the occasion. Prints a line a check; exit status 1 when one fails.
"""

from __future__ import annotations

import http.client
import json
import re
import shutil
import ssl
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlencode

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "dashboard")]

from browsing import FLAGS  # noqa: E402
from page_archives import bake, empty_archive  # noqa: E402
from playwright.sync_api import sync_playwright  # noqa: E402
from service_process import Answer, Service, serving  # noqa: E402

from ingest.archive.access import add_token, set_password  # noqa: E402

NAME = "oven.shop.example"
PASSWORD = "four rather plain words"
FORM = {"Content-Type": "application/x-www-form-urlencoded"}


def configuration(folder: Path, service_port: int) -> Path:
    """The block of DEVELOPERS.md with nothing changed but the places of the certificate and the service's port."""
    found = re.search(r"```nginx\n(.*?)```", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.S)
    assert found is not None
    block = found[1].replace("/etc/ssl/", f"{folder}/").replace("127.0.0.1:8501", f"127.0.0.1:{service_port}")
    assert block.count(str(folder)) == 2
    assert f"127.0.0.1:{service_port}" in block
    path = folder / "nginx.conf"
    logs = f"pid {folder}/pid; error_log {folder}/error.log;\nevents {{}}\n"
    path.write_text(f"{logs}http {{ access_log off; client_body_temp_path {folder}/body;\n{block}}}\n")
    return path


@contextmanager
def front(folder: Path, service_port: int) -> Iterator[None]:
    made_for = ["-subj", f"/CN={NAME}", "-addext", f"subjectAltName=DNS:{NAME}"]
    files = ["-keyout", folder / "oven.key", "-out", folder / "oven.crt"]
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", *made_for, *files],
        check=True,
        capture_output=True,
    )
    path = configuration(folder, service_port)
    subprocess.run([nginx(), "-t", "-c", path], check=True)
    process = subprocess.Popen([nginx(), "-c", path, "-g", "daemon off;"])
    try:
        time.sleep(1)
        assert process.poll() is None, "nginx ended: is port 443 free, and is this root?"
        yield
    finally:
        process.terminate()
        process.wait()


def nginx() -> str:
    found = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")
    if found is None:
        raise SystemExit("this needs nginx: apt-get install nginx-light")
    return found


def ask(
    folder: Path, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
) -> Answer:
    """One request over TLS, the certificate checked."""
    context = ssl.create_default_context(cafile=str(folder / "oven.crt"))
    con = http.client.HTTPSConnection(NAME, 443, context=context, timeout=60)
    con.sock = context.wrap_socket(_socket(), server_hostname=NAME)
    con.request(method, path, body, {"Host": NAME, **(headers or {})})
    got = con.getresponse()
    answer = Answer(got.status, {k.lower(): v for k, v in got.getheaders()}, got.read())
    con.close()
    return answer


def _socket() -> object:
    import socket

    return socket.create_connection(("127.0.0.1", 443), timeout=60)


def checks(folder: Path, service: Service, token: str) -> Iterator[tuple[str, Callable[[], bool]]]:
    bearer = {"Authorization": f"Bearer {token}"}

    def sign_in(password: str, **headers: str) -> Answer:
        form = urlencode({"name": "Kim", "password": password, "next": "/runs"}).encode()
        return ask(folder, "POST", "/signin", form, {**FORM, "Origin": f"https://{NAME}", **headers})

    yield (
        "a page without a sign-in leads to the sign-in",
        lambda: ask(folder, "GET", "/runs", headers={"Accept": "text/html"}).status == 303,
    )
    yield "a log with its token is stored", lambda: ask(folder, "POST", "/api/logs", bake(), bearer).status == 200
    yield "without a token it is not", lambda: ask(folder, "POST", "/api/logs", bake()).status == 401
    yield (
        "64 MiB and a byte are too large",
        lambda: ask(folder, "POST", "/api/logs", bytes(64 * 2**20 + 1), bearer).status == 413,
    )
    yield (
        "a page of another site is refused",
        lambda: (
            ask(folder, "POST", "/api/logs", bake(), {**bearer, "Origin": "https://elsewhere.example"}).status == 403
        ),
    )
    yield (
        "another name is refused",
        lambda: ask(folder, "GET", "/", headers={"Host": "elsewhere.example"}).status == 400,
    )
    yield (
        "the session cookie is for TLS only",
        lambda: "secure" in sign_in(PASSWORD).headers["set-cookie"].lower().split("; "),
    )
    yield "a person signs in, sees a page by web socket, and adds a log", lambda: browsed(service)

    def guessed() -> bool:
        statuses = [sign_in("wrong", **{"X-Forwarded-For": f"192.0.2.{n}"}).status for n in range(8)]
        return statuses[-1] == 429

    yield "a forged X-Forwarded-For buys no more guesses", guessed


def browsed(service: Service) -> bool:
    flags = [*FLAGS, f"--host-resolver-rules=MAP {NAME} 127.0.0.1", "--ignore-certificate-errors"]
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=flags)
        page = opened.new_page()
        sockets: list[str] = []
        page.on("websocket", lambda socket: sockets.append(socket.url))
        page.goto(f"https://{NAME}/add")
        page.fill("[name=name]", "Kim")
        page.fill("[name=password]", PASSWORD)
        page.click("button")
        page.set_input_files(
            "input[type=file]", {"name": "by-hand.csv", "mimeType": "text/csv", "buffer": bake(minutes=60)}
        )
        page.get_by_role("button", name="Store").click()
        told = service.until(lambda: any(e["file"] == "by-hand.csv" for e in service.events("import")))
        opened.close()
    return told and all(url.startswith(f"wss://{NAME}/") for url in sockets) and bool(sockets)


def main() -> int:
    failed = 0
    with tempfile.TemporaryDirectory(prefix="ovenbook-proxy-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        archive = empty_archive(folder / "archive.duckdb")
        with archive.transaction() as con:
            set_password(con, "Kim", PASSWORD)
            _, token = add_token(con, "bench")
        with serving(archive.path, "--name", NAME) as service, front(folder, service.port):
            for what, check in checks(folder, service, token):
                try:
                    passed = check()
                except Exception as error:
                    print(f"  {type(error).__name__}: {str(error).splitlines()[0]}")
                    passed = False
                print(f"{'yes' if passed else 'NO ':<4} {what}", flush=True)
                failed += not passed
            health = json.loads(ask(folder, "GET", "/api/health").body)
            print(f"health from outside {health}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
