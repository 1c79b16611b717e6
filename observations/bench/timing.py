"""Interleaved medians, and a figure beside its yardstick."""

import gc
import resource
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any


@dataclass(frozen=True)
class Figure:
    """A median time in milliseconds beside that of its yardstick; `most` is the ratio it must keep to."""

    name: str
    yardstick: str
    ms: float
    yardstick_ms: float
    most: float
    runs: int
    note: str = ""

    @property
    def ratio(self) -> float:
        return self.ms / self.yardstick_ms

    @property
    def kept(self) -> bool:
        return self.ratio <= self.most

    def line(self) -> str:
        said = "kept" if self.kept else "NOT KEPT"
        return (
            f"{self.name}: {self.ms:.1f} ms\n  beside {self.yardstick}: {self.yardstick_ms:.1f} ms\n"
            f"  ratio {self.ratio:.2f}, must be at most {self.most:g}: {said} (medians of {self.runs})"
            + (f"\n  {self.note}" if self.note else "")
        )

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "ratio": round(self.ratio, 3), "kept": self.kept}


def interleaved(works: Sequence[Callable[[], object]], runs: int) -> list[float]:
    """Return the median time of each work in milliseconds, taken in turns so that all meet the same machine.

    One turn before the first is not counted: it warms caches and plans for all alike.
    """
    times: list[list[float]] = [[] for _ in works]
    gc.collect()
    gc.disable()
    try:
        for turn in range(runs + 1):
            for number, work in enumerate(works):
                start = perf_counter()
                work()
                if turn:
                    times[number].append((perf_counter() - start) * 1000)
    finally:
        gc.enable()
    return [median(taken) for taken in times]


def forget_peak() -> None:
    """Let `peak_mib` begin anew: what was held before, to draw a club, is not what is measured. On Linux alone."""
    if sys.platform == "linux":
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def peak_mib() -> float:
    """Return the largest memory that this process has held, in MiB.

    On Linux as the kernel counts this program's own: what getrusage tells begins with that of whoever started it.
    """
    if sys.platform == "linux":
        lines = Path("/proc/self/status").read_text(encoding="ascii", errors="replace").splitlines()
        (kib,) = (line.split()[1] for line in lines if line.startswith("VmHWM:"))
        return int(kib) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
