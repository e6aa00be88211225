"""The service's log: one line of JSON an event, on standard error. No token, password, cookie or address of an alert."""

from __future__ import annotations

import json
import sys
import threading
from datetime import UTC, datetime
from typing import Any

_one_at_a_time = threading.Lock()


def write(event: str, **facts: Any) -> None:
    """One event. Facts that are None are left out; everything but ASCII is escaped, so that a name cannot forge a line."""
    line = {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), "event": event}
    line |= {key: value for key, value in facts.items() if value is not None}
    text = json.dumps(line, ensure_ascii=True, default=str)
    with _one_at_a_time:
        print(text, file=sys.stderr, flush=True)
