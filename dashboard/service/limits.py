"""How often somebody may ask. Counts in memory, by the monotonic clock: setting the computer's clock changes nothing."""

from __future__ import annotations

import ipaddress
import threading
import time
from collections import OrderedDict

_KEPT = 4096  # askers remembered at most; the ones not seen for longest go first


class Rate:
    """At most `burst` at once and `per_second` over time, for each key. Thread-safe."""

    def __init__(self, per_second: float, burst: int) -> None:
        self.per_second = per_second
        self.burst = burst
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, key: str, *, take: bool = True) -> float:
        """0 when `key` may go on (and one is taken, unless `take` is False), else how long to wait [s]."""
        now = time.monotonic()
        with self._lock:
            left, since = self._left.get(key, (float(self.burst), now))
            left = min(self.burst, left + (now - since) * self.per_second)
            allowed = left >= 1
            self._left[key] = (left - 1 if allowed and take else left, now)
            self._left.move_to_end(key)
            while len(self._left) > _KEPT:
                self._left.popitem(last=False)
            return 0.0 if allowed else (1 - left) / self.per_second


def address_key(host: str | None) -> str:
    """Whose rate an address counts for: an IPv6 sender has a whole /64 to choose from."""
    try:
        address = ipaddress.ip_address((host or "").split("%")[0])
    except ValueError:
        return "unknown"
    if address.version == 6 and not address.ipv4_mapped:
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)
