"""Text without case and accents, for comparing words."""

from __future__ import annotations

import unicodedata

_SPECIAL = str.maketrans(
    {"ł": "l", "Ł": "l", "ø": "o", "Ø": "o", "ß": "ss", "µ": "u", "μ": "u", "º": "°", "˚": "°", "ı": "i"}
)


def fold(text: str) -> str:
    """Lower case without accents; the degree sign stays."""
    if text.isascii():
        return text.casefold()
    text = text.translate(_SPECIAL).replace("℃", "°C").replace("℉", "°F")
    plain = unicodedata.normalize("NFKD", text)
    return "".join(c for c in plain if not unicodedata.combining(c)).casefold()
