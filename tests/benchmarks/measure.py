"""Medians, spreads, and the probe of the disk that stands beside every durable figure."""

import os
import statistics
import time
from collections.abc import Callable
from pathlib import Path


def fsync_us(folder: Path) -> float:
    """Return the median time of a small durable write [us]."""
    handle = os.open(folder / "probe", os.O_CREAT | os.O_WRONLY)
    times = []
    for _ in range(200):
        began = time.perf_counter()
        os.pwrite(handle, b"x" * 8192, 0)
        os.fdatasync(handle)
        times.append(time.perf_counter() - began)
    os.close(handle)
    return statistics.median(times) * 1e6


def print_disk(folder: Path, when: str) -> None:
    print(f"fdatasync of 8 kB: {fsync_us(folder):,.0f} us {when}", flush=True)


def spread(values: list[float]) -> str:
    return f"{statistics.median(values):>10,.0f} ({min(values):,.0f}-{max(values):,.0f})"


def median_ms(call: Callable[[], object], runs: int) -> str:
    times = []
    for _ in range(runs):
        began = time.perf_counter()
        call()
        times.append((time.perf_counter() - began) * 1e3)
    return f"{statistics.median(times):8.2f} ({min(times):.2f}-{max(times):.2f})"


def cpu_s(pids: list[int]) -> float:
    """Return the processor time some processes have used [s]; those that are gone count nothing."""
    ticks = 0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")
