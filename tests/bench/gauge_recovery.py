"""How soon a gauge that is pulled out is told, and how soon it reads again: ``python -m tests.bench.gauge_recovery``.

The simulated gauge on a pseudo-terminal, each kind, with the real pyserial and pymodbus. Pulled out for 0.5, 3 and 12 s;
"told" counts from the pull to `on_lost`, "reads" from plugging in to the first sample. An adapter of a real bus also
takes some time to be known to Linux, which is not in here. Goal: told within 2 s.
"""

from __future__ import annotations

import argparse
import statistics
import time
from decimal import Decimal

from hardware.gauges.pty_gauge import KINDS, PtyGauge
from tests.unit.gauge_wire import Told, told_by

OUT_S = (0.5, 3.0, 12.0)


def laps(kind: str, out_s: float, count: int) -> tuple[list[float], list[float]]:
    """(seconds from the pull to being told, seconds from plugging in to the first sample), of so many laps."""
    meter, told = PtyGauge(kind, lambda: Decimal("14.50")), Told()
    gauge = told_by(meter.settings, told)
    to_told, to_reading = [], []
    for lap in range(1, count + 1):
        told.more_samples(3)
        pulled = time.monotonic()
        meter.unplug()
        told.wait(lambda lap=lap: len(told.of("lost")) == lap)
        to_told.append(told.at[-1] - pulled)
        time.sleep(out_s)
        plugged = time.monotonic()
        meter.plug()
        told.more_samples(1)
        to_reading.append(next(at for at, one in zip(told.at, told.all) if one[0] == "sample" and at > plugged) - plugged)
    gauge.close()
    meter.stop()
    return to_told, to_reading


def silence(count: int) -> list[float]:
    """Seconds from the last line of a gauge that is switched off, its adapter still in, to being told."""
    found = []
    for _ in range(count):
        meter, told = PtyGauge("line", lambda: Decimal("14.50")), Told()
        gauge = told_by(meter.settings, told)
        told.more_samples(5)
        meter._write = lambda data: None
        told.wait(lambda: bool(told.of("lost")))
        found.append(told.at[-1] - told.at[-2])
        gauge.close()
        meter.stop()
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--laps", type=int, default=5, metavar="N", help="of each kind and time (default 5)")
    count = parser.parse_args().laps
    for kind in KINDS:
        for out_s in OUT_S:
            to_told, to_reading = laps(kind, out_s, count)
            print(f"{kind:7} out {out_s:4} s: told after {_spread(to_told)} s, reads after {_spread(to_reading)} s", flush=True)
    print(f"line    switched off: told after {_spread(silence(count))} s")


def _spread(times: list[float]) -> str:
    return f"{statistics.median(times):.2f} (at most {max(times):.2f})"


if __name__ == "__main__":
    main()
