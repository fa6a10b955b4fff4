"""Gauges by wire: lines that come by themselves, asked for, Modbus registers, or a transducer on a converter.

    [gauge]
    kind = "line"                      # "" for none; line, polled, modbus or transducer
    port = "ADAPTER-07"                  # USB serial number of its adapter, or a path; "" for the only one there
    pattern = "{value} {unit}"         # see hardware/gauges/pattern.py
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from hardware.clock import boot_now
from hardware.gauges.sample import GaugeSettingsError, Sample
from hardware.gauges.settings import limits, source_for
from hardware.gauges.source import Clock
from hardware.gauges.supervisor import Gauge

__all__ = ["Gauge", "GaugeSettingsError", "Sample", "open_gauge"]


def open_gauge(settings: Mapping[str, Any], on_sample: Callable[[Sample], None], on_lost: Callable[[str], None],
               on_back: Callable[[], None], on_trouble: Callable[[str], None], clock: Clock = boot_now) -> Gauge | None:
    """The gauge of these settings, kept by a thread of its own; None where `kind` is "".

    Raises GaugeSettingsError (one sentence) for settings that can't be right. A gauge that is not there is no error:
    `on_trouble` is told once, and its readings come as soon as it is plugged in. See `hardware.gauges.supervisor.Gauge`.
    """
    if not settings.get("kind"):
        return None
    make = source_for(settings, clock)
    lowest, highest = limits(settings)
    return Gauge(make, lowest, highest, on_sample, on_lost, on_back, on_trouble)
