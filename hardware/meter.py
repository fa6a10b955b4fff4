"""The simulated meter: chamber, bowl, and what a hand can do to them. For practice without concrete.

Pure: no clock inside, time passes only through `advance`. The same seed and the same sequence of calls
give the same gauge readings. Pressures are gauge psi, volumes mL, times seconds.

Physics (derived from the ideal gas, isothermal, rigid vessel, water and solids incompressible; no published
six-pressure data was found to check it against): with the lever held the air of chamber and bowl shares out,

    E = (P + r E0) / (1 + r),     r = bowl air / chamber volume, both mL,

which is exact in gauge pressures because the atmosphere cancels. On top of it, guessed so that they feel
right (common practice, no source for the sizes): freshly pumped air is warm and cools in seconds; without
blows the pressures stop short of equilibrium; water poured in frees most of the air under the lid; bubbles
that were under pressure are partly gone after the bowl was let down: what the system air metric sees.
"""

from __future__ import annotations

import math
import random
from decimal import Decimal

STEPS_PSI = (14.5, 30.0, 45.0)  # steps 1, 2, 3 [from memory, 85 %]
BOWL_ML = 7079.0                # a 0.25 ft3 bowl
MARKED_MAXIMUM_PSI = 46.0       # never charge above [common practice, no source]
SAFETY_VALVE_PSI = 60.0         # of this simulation; keeps a stuck key from pumping for ever

_SLICE_S = 0.1        # longest stretch computed at once
_FLOW_S = 0.6         # time constant of air from chamber to bowl, lever held
_LET_DOWN_S = 1.5     # time constant of a bowl let down through a cracked petcock
_COOLING_S = 2.2      # time constant of the chamber's air coming back to the meter's temperature
_WARMTH = 0.015       # psi of passing warmth for each psi pumped (cold for each psi let go)
_SHORT = 0.05         # share of the pressure gap that stays without blows
_BLOW_LEAVES = 0.6    # share of that rest that one blow leaves
_SHAKE_PSI = 0.04     # how far a blow shakes the needle
_SHAKE_S = 0.4
_NOISE_SLOT_S = 0.25  # the gauge's noise changes this often
_STROKE_PSI, _FINE_PSI = 1.0, 0.03
_FLOOD_LEAVES = (0.06, 0.10)  # share of the trapped air that one filling leaves
_MICROBUBBLES_ML = 0.5        # stands for what gives way even in a bowl of plain water
_KELVIN = 293.15


def equilibria(ratio: float, charges: tuple[float, ...] = STEPS_PSI) -> list[float]:
    """The ideal equilibria (psi) of one run: bowl air `ratio` chamber volumes, bowl starting at 0."""
    readings, bowl = [], 0.0
    for charge in charges:
        bowl = (charge + ratio * bowl) / (1.0 + ratio)
        readings.append(bowl)
    return readings


def bubble_loss(ratio: float, metric_psi: float) -> float:
    """The share (0 to 0.5) of the bowl's air whose loss between the runs gives this system air metric.

    The last equilibrium only rises as air is lost, so halving the interval finds it.
    ValueError when half of the air would not be enough.
    """
    wanted = equilibria(ratio)[-1] + metric_psi
    most = equilibria(ratio / 2)[-1]
    if wanted > most:
        raise ValueError(
            f"metric {metric_psi:.2f} psi needs more than half of this bowl's air to vanish: give more air,"
            f" or a metric of at most {math.floor(100 * (metric_psi - wanted + most)) / 100:.2f} psi.")
    low, high = 0.0, 0.5
    for _ in range(60):
        middle = (low + high) / 2
        if equilibria(ratio * (1 - middle))[-1] < wanted:
            low = middle
        else:
            high = middle
    return low


def _number(name: str, value: object, low: float, high: float, unit: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float, Decimal)) \
            or not low <= float(value) <= high:  # a NaN fails the comparison too
        raise ValueError(f"{name} is {value}: it must be a number from {low:g} to {high:g}{unit}.")
    return float(value)


class Meter:
    """A pressure meter on a full bowl: lid on, petcocks open, not yet flooded, chamber at zero.

    air_pct           air in the concrete, % of the bowl (0 to 15; plain water: about 0)
    metric_psi        the system air metric that six faultless readings would give (0 to 0.80)
    chamber_ratio     chamber volume / bowl volume (0.02 to 0.20)
    seed              of stroke sizes, noise and bubbles
    leak_psi_per_min  chamber leak at 45 psi, in proportion below it (0 to 5)
    trapped_air_ml    air under the lid when it is first closed (0 to 400); a third of it after a let down
    noise_psi         standard deviation of the gauge (0 to 0.5)
    sun_c_per_min     the chamber warms by this (-1 to 1): at 45 psi 1 degree C is about 0.2 psi
    ambient_psi       the atmosphere (9 to 16), only felt through `sun_c_per_min`

    Every action returns one sentence for the technician, or "" when there is nothing to remark.
    Raises ValueError (one sentence) for a value outside its range.
    """

    def __init__(self, air_pct: float = 6.0, metric_psi: float = 0.20, chamber_ratio: float = 0.06,
                 seed: int = 1, leak_psi_per_min: float = 0.0, trapped_air_ml: float = 120.0,
                 noise_psi: float = 0.003, sun_c_per_min: float = 0.0, ambient_psi: float = 14.696):
        air = _number("air", air_pct, 0, 15, " %")
        metric = _number("metric", metric_psi, 0, 0.8, " psi")
        ratio = _number("chamber_ratio", chamber_ratio, 0.02, 0.2, "")
        if isinstance(seed, bool) or not isinstance(seed, int):
            raise ValueError(f"seed is {seed}: it must be a whole number.")
        self.seed = seed
        self._leak_per_s = _number("leak", leak_psi_per_min, 0, 5, " psi a minute") / 60 / STEPS_PSI[-1]
        self._lid_air_ml = _number("trapped_air", trapped_air_ml, 0, 400, " mL")
        self._noise_psi = _number("noise", noise_psi, 0, 0.5, " psi")
        self._sun_per_s = _number("sun_c_per_min", sun_c_per_min, -1, 1, " degrees C a minute") / 60 / _KELVIN
        self._ambient_psi = _number("ambient", ambient_psi, 9, 16, " psi")
        self._chamber_ml = ratio * BOWL_ML
        self._fresh_bubbles_ml = max(air / 100 * BOWL_ML, _MICROBUBBLES_ML)
        fresh_ratio = self._fresh_bubbles_ml / self._chamber_ml
        self._loss = bubble_loss(fresh_ratio, metric)
        self._ideal_peak_psi = equilibria(fresh_ratio)[-1]
        self._hand = random.Random(seed)
        self._chamber_psi = self._warm_psi = self._shake_psi = self._time_s = 0.0
        self._lever_down = False
        self._fill()

    def _fill(self) -> None:
        self._bowl_psi = self._peak_psi = self._lost_ml = 0.0
        self._short_psi = 0.0     # gap that stays between chamber and bowl until blows break it
        self._trapped_ml = self._lid_air_ml
        self._lid_on = self._petcocks_open = True

    # -- what can be seen --------------------------------------------------------------------------------

    lever_down = property(lambda self: self._lever_down)
    petcocks_open = property(lambda self: self._petcocks_open)
    lid_on = property(lambda self: self._lid_on)
    time_s = property(lambda self: self._time_s)
    bowl_psi = property(lambda self: self._bowl_psi, doc="True pressure in the bowl; no gauge shows it.")
    chamber_psi = property(lambda self: self._chamber_psi, doc="True pressure in the chamber, once cool.")
    trapped_ml = property(lambda self: self._trapped_ml, doc="Air under the lid that no flood has freed yet.")

    def gauge(self) -> Decimal:
        """The gauge on the chamber, psi to 0.01. Looking twice at the same moment shows the same."""
        noise = random.Random(f"{self.seed}/{int(self._time_s / _NOISE_SLOT_S)}")
        psi = (self._chamber_psi + self._warm_psi + noise.gauss(0, self._noise_psi)
               + noise.uniform(-1, 1) * self._shake_psi)
        return Decimal(f"{max(psi, 0.0):.2f}")  # its pin stops the needle at zero

    # -- time --------------------------------------------------------------------------------------------

    def advance(self, seconds: float) -> None:
        """Let time pass (0 to 1,000,000 s)."""
        left = _number("time", seconds, 0, 1e6, " s")
        while left > 0:
            passed = min(left, _SLICE_S)
            self._pass(passed)
            left -= passed

    def _pass(self, s: float) -> None:
        self._time_s += s
        self._warm_psi *= math.exp(-s / _COOLING_S)
        self._shake_psi *= math.exp(-s / _SHAKE_S)
        self._chamber_psi *= math.exp(-s * self._leak_per_s)
        self._chamber_psi += (self._chamber_psi + self._ambient_psi) * self._sun_per_s * s
        if self._lever_down:
            self._share(s)
        if self._petcocks_open:
            self._bowl_psi *= math.exp(-s / _LET_DOWN_S)
            self._short_psi = 0.0  # a stream of air leaves nothing stuck
        self._peak_psi = max(self._peak_psi, self._bowl_psi)

    def _bowl_air_ml(self) -> float:
        return self._fresh_bubbles_ml - self._lost_ml + self._trapped_ml

    def _share(self, s: float) -> None:
        """Air flows from chamber to bowl (or back) until only the unbroken rest of the gap is left."""
        if not self._lid_on:
            self._change_chamber(self._chamber_psi * (math.exp(-s / _FLOW_S) - 1))
            return
        ratio = self._bowl_air_ml() / self._chamber_ml
        even = (self._chamber_psi + ratio * self._bowl_psi) / (1 + ratio)
        gap = self._chamber_psi - self._bowl_psi
        gap = self._short_psi + (gap - self._short_psi) * math.exp(-s / _FLOW_S)
        self._change_chamber(even + gap * ratio / (1 + ratio) - self._chamber_psi)
        self._bowl_psi = self._chamber_psi - gap

    def _change_chamber(self, psi: float) -> None:
        """Air squeezed in is warm, air that expanded is cold: the gauge shows both for some seconds."""
        self._chamber_psi += psi
        self._warm_psi += _WARMTH * psi

    def _charged(self) -> bool:
        return self._chamber_psi > 0.3

    # -- what a hand can do ------------------------------------------------------------------------------

    def pump(self, strokes: int = 1, fine: bool = False) -> str:
        """Strokes of the pump (1 to 200): about 1 psi each, fine about 0.03 psi."""
        if isinstance(strokes, bool) or not isinstance(strokes, int) or not 1 <= strokes <= 200:
            raise ValueError(f"strokes is {strokes}: it must be a whole number from 1 to 200.")
        for _ in range(strokes):
            psi = (_FINE_PSI if fine else _STROKE_PSI) * self._hand.uniform(0.85, 1.15)
            self._change_chamber(min(psi, SAFETY_VALVE_PSI - self._chamber_psi))
        if self._chamber_psi > SAFETY_VALVE_PSI - 0.01:
            return "The safety valve blows: far above the meter's marked maximum. Bleed it down."
        if self._chamber_psi > MARKED_MAXIMUM_PSI:
            return "Above the meter's marked maximum of 46 psi: bleed it down."
        return ""

    def bleed(self, fine: bool = False) -> str:
        """Open the bleeder a moment: about 0.3 psi and 4 % of what is there, fine about 0.03 psi."""
        psi = _FINE_PSI if fine else 0.3 + 0.04 * self._chamber_psi
        psi *= self._hand.uniform(0.8, 1.2)
        self._change_chamber(-min(psi, max(self._chamber_psi, 0.0)))
        return ""

    def lever(self, down: bool) -> str:
        """Press and hold the lever (True), or release it (False)."""
        pressed, self._lever_down = down and not self._lever_down, bool(down)
        if not pressed:
            return ""
        if not self._lid_on:
            return "Never press the lever over an open bowl: the charge blows out." if self._charged() else ""
        self._short_psi = _SHORT * (self._chamber_psi - self._bowl_psi)
        if self._petcocks_open and self._charged():
            self._trapped_ml += self._lid_air_ml / 3
            return "The petcocks are open: caustic water sprays, the charge is lost. Release, flood again."
        return ""

    def strike(self) -> str:
        """One blow with the mallet on the side of the bowl."""
        if not (self._lever_down and self._lid_on):
            return "A blow counts only with the lever held."
        self._short_psi *= _BLOW_LEAVES
        self._shake_psi = _SHAKE_PSI
        return ""

    def petcocks(self, open: bool) -> str:
        """Open or close both petcocks. Opened with pressure in the bowl, they let it down in some seconds."""
        opening, self._petcocks_open = open and not self._petcocks_open, bool(open)
        if not opening or not self._lid_on or self._bowl_psi < 0.3:
            return ""
        self._lose_bubbles()
        if self._lever_down:
            return "The lever is still held: chamber and bowl both blow out through the petcocks."
        return "Caustic water sprays from the petcocks: eyewear on, face away, a gloved hand as a shield."

    def _lose_bubbles(self) -> None:
        """Bubbles dissolved under pressure do not all come back; their room and some charge stay as air."""
        share = self._loss * min(1.0, self._peak_psi / self._ideal_peak_psi)
        lost_now = max(0.0, share * self._fresh_bubbles_ml - self._lost_ml)
        self._lost_ml += lost_now
        self._trapped_ml += lost_now + self._lid_air_ml / 3

    def flood(self) -> str:
        """One filling of water through a petcock: frees most of the air still trapped under the lid."""
        if not self._lid_on:
            return "The lid is off: close it before flooding."
        if not self._petcocks_open:
            return "The petcocks are closed: no water goes in."
        if self._bowl_psi > 0.3:
            return "The bowl is still under pressure: let it down to zero before flooding."
        freed = self._trapped_ml
        self._trapped_ml *= self._hand.uniform(*_FLOOD_LEAVES)
        freed -= self._trapped_ml
        if freed > 20:
            return "Much air comes out with the water."
        return "Some bubbles come out." if freed > 1 else "Clear water comes out, hardly a bubble."

    def unclamp(self) -> str:
        """Take the lid off. Under pressure it refuses, and says the danger."""
        if not self._lid_on:
            return "The lid is off already."
        if self._bowl_psi > 0.3:
            return (f"DANGER: the bowl still holds {self._bowl_psi:.1f} psi, the lid would be thrown and"
                    " caustic water sprayed. Release the lever and let the bowl down first.")
        if self._charged():
            return f"The chamber still holds {self._chamber_psi:.1f} psi: bleed it to zero first."
        self._lid_on = False
        return "The lid is off. Empty and wash the bowl at once."

    def close_lid(self) -> str:
        """Fill the bowl with fresh concrete and close the lid: the next test."""
        if self._lid_on:
            return "The lid is on already."
        self._fill()
        return "A fresh bowl, the lid closed, the petcocks open."


class Crew:
    """A technician who works the meter properly, for scripts and tests. `tap` and `fillings` make the slips.

    Time passes only on the meter. Readings are taken from the gauge, psi to 0.01.
    """

    def __init__(self, meter: Meter, settle_s: float = 8.0):
        self.meter = meter
        self._settle_s = settle_s

    def charge(self, target_psi: float) -> Decimal:
        """Trim until the settled gauge shows the target, or for 200 strokes; what the gauge shows then."""
        meter = self.meter
        for _ in range(200):
            over = float(meter.gauge()) - target_psi
            if abs(over) < 0.006:
                meter.advance(self._settle_s)
                if abs(float(meter.gauge()) - target_psi) < 0.006:
                    break
            elif over > 0:
                meter.bleed(fine=over < 1.5 + 0.04 * target_psi)
            else:
                meter.pump(fine=over > -1.3)
            meter.advance(0.4)
        return meter.gauge()

    def do_step(self, target_psi: float, tap: bool = True) -> tuple[Decimal, Decimal]:
        """Charge, hold the lever, tap, wait, read, release: (charge, equilibrium)."""
        charge = self.charge(target_psi)
        self.meter.lever(True)
        if tap:
            self.meter.strike()
        self.meter.advance(1.0)
        for _ in range(20):
            if tap:
                self.meter.strike()
            self.meter.advance(0.5)
        self.meter.advance(self._settle_s)
        equilibrium = self.meter.gauge()
        self.meter.lever(False)
        return charge, equilibrium

    def flood(self, fillings: int = 3) -> None:
        """Let the bowl down to zero, pour in so many fillings of water, close both petcocks."""
        self.meter.lever(False)
        self.meter.petcocks(True)
        self.meter.advance(15.0)
        for _ in range(fillings):
            self.meter.flood()
            self.meter.advance(10.0)
        self.meter.petcocks(False)

    def whole_test(self, fillings: tuple[int, int] = (3, 3), tap: tuple[bool, bool] = (True, True)
                   ) -> dict[str, list[list[Decimal]]]:
        """Both runs: six charges and six equilibria by run and step, named as `work` reads them."""
        test: dict[str, list[list[Decimal]]] = {"charge_psi": [], "equilibrium_psi": []}
        for run in (0, 1):
            self.flood(fillings[run])
            charges, readings = zip(*(self.do_step(step, tap[run]) for step in STEPS_PSI))
            test["charge_psi"].append(list(charges))
            test["equilibrium_psi"].append(list(readings))
        return test

    def leak_hold(self) -> tuple[Decimal, Decimal]:
        """Charge to about 45.2 psi, settle, read, five minutes, read: (initial, final)."""
        initial = self.charge(45.2)
        self.meter.advance(300.0)
        return initial, self.meter.gauge()

    def finish(self) -> str:
        """Bowl to zero, chamber to zero, lid off."""
        self.flood(0)
        while self.meter.chamber_psi > 0.01:
            self.meter.bleed()
            self.meter.advance(0.4)
        self.meter.petcocks(True)
        return self.meter.unclamp()
