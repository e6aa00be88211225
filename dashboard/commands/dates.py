"""Dates and times as people type them: a moment, a day or a month, in the archive's zone unless an offset is given."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime

from dashboard.commands.output import wrong_usage


def moment(text: str, zone: str) -> tuple[datetime, str]:
    """The moment in UTC (aware) and how exact it is: "time", "day" (its start) or "month" (its first day)."""
    from zoneinfo import ZoneInfo

    text = text.strip()
    if text == "now":
        return datetime.now(UTC).replace(microsecond=0), "time"
    precision = "time"
    if re.fullmatch(r"\d{4}-\d{2}", text):
        text, precision = f"{text}-01", "month"
    elif re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        precision = "day"
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise wrong_usage(f"'{text}' is not a date. Write 2025-03-14, 2025-03-14T09:30 or 2025-03.") from None
    if found.tzinfo is None:
        found = found.replace(tzinfo=ZoneInfo(zone))
    return found.astimezone(UTC), precision


def day(text: str) -> date:
    """A calendar day."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise wrong_usage(f"'{text}' is not a day. Write it as 2025-03-14.") from None
