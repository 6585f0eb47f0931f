"""Which bands to zoom into for a set of orders: how wide each must be, and which of them fit."""

from __future__ import annotations

from dataclasses import dataclass


def firing_order(cylinders: int | None, strokes: int | None, stated: float | None) -> float | None:
    """The firing order: stated, or that of an evenly firing engine (four strokes where nothing is said), or None."""
    if stated is not None:
        return float(stated)
    return None if cylinders is None else float(cylinders) * 2.0 / float(strokes or 4)


def search_half_width(line_hz: float | None, wanted_hz: float, rate_hz: float) -> float | None:
    """Half the zoom for a search of ``wanted_hz`` either side and half as much again for the floor, or None."""
    if line_hz is None or line_hz + wanted_hz >= 0.5 * rate_hz or wanted_hz >= 0.9 * line_hz:
        return None
    roomy = max(1.5 * wanted_hz, min(0.45 * line_hz, 4.0))
    return min(roomy, 0.9 * line_hz, 0.5 * rate_hz - line_hz)


@dataclass(frozen=True)
class OrderBand:
    """One order's band: half the counted band, how far the floor reaches, and half the zoom, in Hz."""

    order: float
    half_band_hz: float
    reach_hz: float
    half_zoom_hz: float

    @property
    def beside_hz(self) -> float:
        """Where the floor begins: at 2.2 half bands, where the tail of a line 40 dB up has fallen below it."""
        return min(2.2 * self.half_band_hz, 0.6 * self.reach_hz)


@dataclass(frozen=True)
class SpeedRange:
    """Median speed (revolutions per second) and half its range over the capture."""

    speed_hz: float
    spread_hz: float


    @property
    def sweeps(self) -> bool:
        """Whether speed moves too far for a band that stands still: a run-up."""
        return self.spread_hz > 0.2 * self.speed_hz

    @property
    def lowest_hz(self) -> float:
        """Lowest speed."""
        return self.speed_hz - self.spread_hz


NARROWEST_HZ = 0.35
"""Half the narrowest band: some ten cells of a half-minute record either side of the line."""
MOST_CONFIRMING = 3
"""Two further orders confirm a name; a third one allows for one that is too weak."""
SLOWEST_FILTER_HZ = 8.0
"""A confirming order may not need a sharper filter than this, or half the firing order's own if that is sharper:
all orders share one filter length, and a long one costs the reading its ends and the capture its time."""


def planned_bands(
    firing: float, asked: tuple[float, ...], confirming: list[float], speed: SpeedRange, half_band_hz: float,
    rate_hz: float,
) -> list[OrderBand]:  # fmt: skip
    """The firing order's band first, then those asked for and those that may confirm; none without the first."""
    further = [order for order in dict.fromkeys((*asked, *confirming)) if abs(order - firing) > 1e-9]
    if speed.sweeps:
        bands = sweeping_bands([firing, *further], speed, rate_hz)
        return bands if bands and bands[0].order == firing else []
    main = firing_band(firing, speed, half_band_hz, rate_hz)
    if main is None:
        return []
    found = [further_band(order, main, speed, rate_hz, asked=order in asked) for order in further]
    fitting = [band for band in found if band is not None]
    wanted = [band for band in fitting if band.order in asked]
    may = [band for band in fitting if band.order not in asked]
    return [main, *wanted, *may[:MOST_CONFIRMING]]


def firing_band(firing: float, speed: SpeedRange, half_band_hz: float, rate_hz: float) -> OrderBand | None:
    """The firing order's band, or None where it does not fit below half the rate or above 0 Hz."""
    return _band(firing, speed, max(half_band_hz, NARROWEST_HZ), 6.0, rate_hz)


def further_band(
    order: float, firing: OrderBand, speed: SpeedRange, rate_hz: float, *, asked: bool = False
) -> OrderBand | None:
    """A further order's band; its wander is proportional, its width by wander's law goes with the power 2/3.

    One that may only confirm (not ``asked`` for) is left out where it would cost the reading its ends.
    """
    half = firing.half_band_hz * (order / firing.order) ** (2.0 / 3.0)
    half = min(half, 0.2 * order * speed.speed_hz)
    band = _band(order, speed, half, 6.0 if asked else 3.0, rate_hz)
    if band is None or asked:
        return band
    own = order * speed.speed_hz - band.half_zoom_hz
    main = firing.order * speed.speed_hz - firing.half_zoom_hz
    return band if own >= min(SLOWEST_FILTER_HZ, 0.5 * main) else None


def confirming_orders(
    firing: float, multiples: tuple[float, ...], single: tuple[float, ...], strokes: int | None
) -> list[float]:
    """Orders that may confirm the firing order's name: whole multiples of the engine's cycle, each once."""
    step = 1.0 if strokes == 2 else 0.5
    wanted = [firing * k for k in multiples] + list(single)
    whole = [order for order in wanted if abs(order / step - round(order / step)) < 1e-9 and order > 0]
    return [order for order in dict.fromkeys(whole) if abs(order - firing) > 1e-9]


def sweeping_bands(orders: list[float], speed: SpeedRange, rate_hz: float) -> list[OrderBand]:
    """Bands about orders that are turned to 0 Hz before the zoom: all alike, clear of the half orders beside.

    Kept are the orders that stay below half the rate at the highest speed and clear of 0 Hz at the lowest: the
    half order's band ends before standstill, from where only slow drift is left, and its own mirror image, twice
    as far away, lies in the filter's stop band.
    """
    low, high = speed.lowest_hz, speed.speed_hz + speed.spread_hz
    half, reach = min(2.0, 0.18 * low), 0.4 * low
    fitting = [order for order in orders if order * high + 2.0 * reach < 0.5 * rate_hz and order * low > 1.2 * reach]
    return [OrderBand(order, half, reach, reach) for order in fitting]


def _band(order: float, speed: SpeedRange, half_band_hz: float, floors: float, rate_hz: float) -> OrderBand | None:
    """A band whose floor reaches ``floors`` half bands out, inside 55 % to 145 % of the line's frequency."""
    center, spread = order * speed.speed_hz, order * speed.spread_hz
    reach = min(max(floors * half_band_hz, 2.0), 0.45 * center - spread)
    if reach <= 2.0 * half_band_hz or center + spread + reach >= 0.5 * rate_hz:
        return None
    return OrderBand(order, half_band_hz, reach, reach + spread)
