"""How often a wrong sign-in may be tried, by account and by address."""

import math
import time

from limits import RateLimitItemPerMinute, parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from service.errors import TooManyTries

__all__ = ["Throttle"]


class Throttle:
    """Counts wrong sign-ins in this process; a right one clears its account's count.

    Parameters
    ----------
    per_account, per_address
        Limits in the words of the ``limits`` library.
    """

    def __init__(
        self, per_account: str = "5 per 15 minutes", per_address: str = "30 per 15 minutes"
    ) -> None:
        self._account: RateLimitItemPerMinute = parse(per_account)  # type: ignore[assignment] # both are per minutes
        self._address: RateLimitItemPerMinute = parse(per_address)  # type: ignore[assignment] # as above
        self._storage = MemoryStorage()
        self._limiter = MovingWindowRateLimiter(self._storage)

    def require_free(self, account: str, address: str) -> None:
        """Refuse a try while there have been too many wrong ones; says how long to wait."""
        for limit, name in ((self._account, f"a {account}"), (self._address, f"b {address}")):
            if not self._limiter.test(limit, name):
                stats = self._limiter.get_window_stats(limit, name)
                wait = max(1, math.ceil(stats.reset_time - time.time()))
                minutes = math.ceil(wait / 60)
                raise TooManyTries(
                    f"Too many wrong tries. Wait {minutes} "
                    f"{'minute' if minutes == 1 else 'minutes'}, or ask the administrator.",
                    facts={"wait_seconds": wait},
                )

    def count(self, account: str, address: str) -> None:
        """Count a wrong try."""
        self._limiter.hit(self._account, f"a {account}")
        self._limiter.hit(self._address, f"b {address}")

    def forgive(self, account: str) -> None:
        """Clear an account's count after a right sign-in."""
        self._limiter.clear(self._account, f"a {account}")
