"""What hands and feet touch, the lamp and the buzzer that answer, and the gauge on the wire: opened beside a live test.

Opening may take seconds (a library to load, a port to find), so it has a thread of its own: the first prompt never waits for it.
"""
from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from typing import Any

from assistant.station.live import Live
from hardware.clock import boot_now
from hardware.ports import HandDevice, Shows, Sounds

TALK_TAIL_S = 1.0
"""The ear stays open so long after a talk pedal is let go: the end of an utterance is known by the silence after it. Ours."""

Settings = Mapping[str, Mapping[str, Any]]
WireGauge = Callable[[], tuple[Mapping[str, Any], Callable[[], None]]]
"""The [gauge] section to use, and what ends that gauge: the station's own, or a simulated one that is begun here."""


class Hands:
    """All devices of the station's settings but sound and screen. ``close`` may come while it still opens them.

    settings  as ``station_settings.read`` gives them; a section without a ``kind`` is no device
    gauge     makes the [gauge] section, and what ends it; None: no gauge is read
    """

    def __init__(self, live: Live, settings: Settings, gauge: WireGauge | None = None) -> None:
        self._live, self._settings, self._gauge = live, settings, gauge
        self._devices: list[HandDevice] = []
        self._closing = ExitStack()
        self._lock = threading.Lock()
        self._closed = False
        self._ear_until = float("inf")
        threading.Thread(target=self._open, name="hands", daemon=True).start()

    @property
    def devices(self) -> tuple[HandDevice, ...]:
        """Those that are open by now."""
        return tuple(self._devices)

    @property
    def closed(self) -> bool:
        return self._closed

    def show(self, name: str) -> None:
        """A pattern, on every lamp and buzzer."""
        for device in self._devices:
            if isinstance(device, Shows):
                device.show(name)

    def deaf(self) -> bool:
        """The buzzer sounds, or nobody presses the talk pedal: what the microphone hears now is not meant.

        The pedal counts from its first press on, and while it works: one that can't be opened, hangs on no wire or is gone must
        not make the station deaf.
        """
        if any(device.deaf for device in self._devices if isinstance(device, Sounds)):
            return True
        return boot_now() > self._ear_until and any(device.alive and "pedal" in device.there for device in self._devices)

    def close(self) -> None:
        with self._lock:
            self._closed = True
            self._devices = []
            self._closing.close()

    def _open(self) -> None:
        for one in (self._open_hands, self._open_gauge):
            try:
                one()
            except Exception as error:
                self._live.trouble(str(error) or type(error).__name__)

    def _keep(self, devices: list[HandDevice], *ends: Callable[[], None]) -> None:
        with self._lock:
            for end in (*ends, *(device.close for device in devices)):
                self._closing.callback(end)
            if self._closed:
                self._closing.close()
            else:
                self._devices = [*self._devices, *devices]

    def _open_hands(self) -> None:
        from hardware.hands import open_all
        live = self._live
        self._keep(open_all(self._settings, live.key, live.trouble, live.lost, live.back, self._talk))

    def _open_gauge(self) -> None:
        if self._gauge is None:
            return
        settings, stop = self._gauge()
        self._keep([], stop)
        if settings.get("kind"):
            from hardware.gauges import open_gauge
            live = self._live
            opened = open_gauge(settings, live.gauge_sample, live.gauge_lost, lambda: live.back("gauge"), live.trouble)
            self._keep([opened] if opened else [])

    def _talk(self, on: bool) -> None:
        self._ear_until = float("inf") if on else boot_now() + TALK_TAIL_S
