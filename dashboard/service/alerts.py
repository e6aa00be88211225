"""Telling somebody outside: a web hook or a mail when a run fails, a sensor is not believable, or drift is called.

Off unless asked for by environment (an address often is a secret, so it is no argument that `ps` shows):

    OVENBOOK_ALERT_URL    https://... : gets a POST with a JSON object for each alert
    OVENBOOK_ALERT_MAIL   an address: gets a plain mail, through
    OVENBOOK_SMTP         HOST[:PORT] (localhost:25), with
    OVENBOOK_SMTP_USER and OVENBOOK_SMTP_PASSWORD, if it wants them (then only over TLS)

An alert is sent after its run is stored, from a thread of its own; a receiver that is slow or gone delays no import. It is
tried three times, then its loss is written to the service's log.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import threading
import urllib.request
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from dashboard.service import journal

TIMEOUT_S = 10.0
PAUSES_S = (0.0, 2.0, 10.0)  # before each try
WAITING_AT_MOST = 200  # a receiver that is gone for a day shall not fill the memory


@dataclass(frozen=True)
class Alert:
    """`event`: run_fails, sensor_not_believable, danger or drift_called; `text` is for people."""

    event: str
    text: str
    run: int | None = None
    oven: str | None = None

    def to_json(self) -> dict[str, Any]:
        return {"event": self.event, "text": self.text, "run": self.run, "oven": self.oven}


def alerts_of(summary: Mapping[str, Any]) -> list[Alert]:
    """What a run's summary (`show --json`) is worth telling, worst first."""
    from dashboard import words

    run, oven = summary["run"], summary["metadata"]["oven"]["value"]
    where = f"Run {run}" + (f" of {oven}" if oven else "")
    found = [Alert("danger", f"{where}: {line}", run, oven) for line in words.stop_lines(summary["findings"])]
    doubted = [f for f in summary["findings"] if f["state"] == "fail"]
    if (summary["reason"] or "").startswith("Sensor not believable") or doubted:
        told = summary["reason"] if not doubted else "; ".join(words.finding_sentence(f) for f in doubted)
        found.append(Alert("sensor_not_believable", f"{where}: {told}", run, oven))
    if summary["verdict"] == "fails":
        found.append(Alert("run_fails", f"{where}: {words.verdict_sentence(summary)}", run, oven))
    return found


@dataclass(frozen=True)
class Receivers:
    """Where alerts go. Both None: nowhere."""

    url: str | None = None
    mail: str | None = None
    smtp: str = "localhost:25"
    smtp_user: str | None = None
    smtp_password: str | None = None

    def __bool__(self) -> bool:
        return bool(self.url or self.mail)

    def __repr__(self) -> str:  # never an address, never a password: it ends in logs
        return f"Receivers(url={'set' if self.url else None}, mail={'set' if self.mail else None})"


def receivers(environment: Mapping[str, str] | None = None) -> Receivers:
    """Receivers as the environment names them. Raises ValueError with one line when an address cannot be one."""
    env = os.environ if environment is None else environment
    url = env.get("OVENBOOK_ALERT_URL") or None
    mail = env.get("OVENBOOK_ALERT_MAIL") or None
    if url is not None:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ValueError("OVENBOOK_ALERT_URL must begin with https:// or http://")
    if mail is not None and ("@" not in mail or not mail.isprintable() or " " in mail):
        raise ValueError("OVENBOOK_ALERT_MAIL must be one mail address")
    return Receivers(
        url,
        mail,
        env.get("OVENBOOK_SMTP") or "localhost:25",
        env.get("OVENBOOK_SMTP_USER") or None,
        env.get("OVENBOOK_SMTP_PASSWORD") or None,
    )


class Sender:
    """Sends alerts from a thread of its own until `stop`."""

    def __init__(self, to: Receivers) -> None:
        self.to = to
        self.sent = 0
        self.lost = 0
        self._waiting: queue.Queue[Alert | None] = queue.Queue(WAITING_AT_MOST)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        if self.to:
            self._thread = threading.Thread(target=self._send_all, name="alerts", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Sends what waits now, once, and ends."""
        self._stop.set()
        if self._thread is not None:
            with contextlib.suppress(queue.Full):
                self._waiting.put_nowait(None)
            self._thread.join(TIMEOUT_S)

    def put(self, alert: Alert) -> None:
        """Queues one alert; with nobody to tell it does nothing."""
        if not self.to:
            return
        try:
            self._waiting.put_nowait(alert)
        except queue.Full:
            self._lose(alert, "too many are waiting")

    def _send_all(self) -> None:
        while (alert := self._next()) is not None:
            for send, wanted in ((_post, self.to.url), (_mail, self.to.mail)):
                if wanted:
                    self._try(send, alert)

    def _next(self) -> Alert | None:
        try:
            return self._waiting.get(block=not self._stop.is_set())
        except queue.Empty:
            return None

    def _try(self, send: Any, alert: Alert) -> None:
        why = ""
        for pause in PAUSES_S:
            if pause and self._stop.wait(pause):
                break
            try:
                send(self.to, alert)
            except Exception as error:  # whatever a receiver or its library does, the next alert is sent
                # Only the kind of error: its text can hold the address.
                why = type(error).__name__
                continue
            self.sent += 1
            journal.write("alert", alert=alert.event, run=alert.run)
            return
        self._lose(alert, why or "the service ended")

    def _lose(self, alert: Alert, why: str) -> None:
        self.lost += 1
        journal.write("alert_lost", alert=alert.event, run=alert.run, error=why)


class _StaysThere(urllib.request.HTTPRedirectHandler):
    """A receiver that sends us elsewhere is refused: elsewhere could be inside this network."""

    def redirect_request(self, *_: Any) -> None:
        return None


def _post(to: Receivers, alert: Alert) -> None:
    request = urllib.request.Request(
        to.url or "",
        json.dumps(alert.to_json()).encode(),
        {"Content-Type": "application/json", "User-Agent": "ovenbook"},
        method="POST",
    )
    with urllib.request.build_opener(_StaysThere).open(request, timeout=TIMEOUT_S) as answer:
        answer.read(1024)


def _mail(to: Receivers, alert: Alert) -> None:
    import smtplib
    import ssl
    from email.message import EmailMessage

    message = EmailMessage()
    message["From"] = message["To"] = to.mail
    message["Subject"] = f"Ovenbook: {alert.event.replace('_', ' ')}" + (f", run {alert.run}" if alert.run else "")
    message.set_content(alert.text)
    host, _, port = to.smtp.partition(":")
    with smtplib.SMTP(host, int(port or 25), timeout=TIMEOUT_S) as server:
        server.ehlo()
        if server.has_extn("starttls"):
            server.starttls(context=ssl.create_default_context())
            server.ehlo()
        elif to.smtp_user:
            raise ssl.SSLError("the mail server offers no TLS")
        if to.smtp_user:
            server.login(to.smtp_user, to.smtp_password or "")
        server.send_message(message)
