"""What did a benchmark measure, and is it within its bounds?

One line for each bound: what, measured, bound, ok or MISSED. A script ends with :func:`finish`,
whose exit code is 1 if a bound was missed. Processor seconds are those of this process and of its
children that have ended: on a shared machine they say more than the clock.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

_missed: list[str] = []


def at_most(what: str, measured: float, bound: float, unit: str = "") -> None:
    """Hold a measured value to an upper bound."""
    _hold(what, measured, bound, unit, "at most", measured <= bound)


def at_least(what: str, measured: float, bound: float, unit: str = "") -> None:
    """Hold a measured value to a lower bound."""
    _hold(what, measured, bound, unit, "at least", measured >= bound)


def _hold(what: str, measured: float, bound: float, unit: str, word: str, ok: bool) -> None:
    told = f"{measured:.3g}" if abs(measured) < 100 else f"{measured:,.0f}"
    limit = f"{bound:,g}"
    print(
        f"{what:58s} {told:>9s} {unit:3s} {word} {limit:>7s} {unit:3s} {'ok' if ok else 'MISSED'}",
        flush=True,
    )
    if not ok:
        _missed.append(what)


def finish() -> None:
    """End the script: exit code 1 if a bound was missed."""
    sys.exit(f"missed: {', '.join(_missed)}" if _missed else 0)


def processor_seconds() -> float:
    """Return processor seconds of this process and its ended children until now."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


def timed(call: Callable[[], object]) -> float:
    """Return the processor seconds of a call."""
    start = processor_seconds()
    call()
    return processor_seconds() - start


def peak_megabytes() -> float:
    """Return the largest memory that this process has held."""
    status = Path("/proc/self/status")
    if status.is_file():
        # The peak of ru_maxrss would be that of the parent until the program was loaded.
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def wall(start: float) -> float:
    """Return seconds by the clock since ``start`` of ``time.perf_counter``."""
    return time.perf_counter() - start
