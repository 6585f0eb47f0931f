"""How right is the firing-order reading? 2,000 simulated captures with known truth, one table.

Run it with ``python bench_datasets/order_accuracy.py [--share 0.02] [--seed 20261125]``. Engines of 1 to 12
cylinders, two and four strokes, 500 to 4,500 rpm; wander 0.1 to 1.5 % (idle) or 1.5 to 3 % (run-up) with 3 s;
line power 10, 20, 30 or 40 dB over the floor's power in 1 Hz, all axes together; half of the captures with
accessories and other engine orders beside the line. Another 400 have lines of 0 and 5 dB, for which only an upper
bound may be told, and 200 have no line at all.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from thrumline.pipeline.contracts import Block, ChannelSpec, Context, SignalSpec
from thrumline.pipeline.contracts.units import MILLI_G
from thrumline.pipeline.testing.simulator import IdleSpec, SimulatedCapture, idle_capture
from thrumline.plugins.metric_firing_order import FiringOrder, FiringOrderSettings
from thrumline.plugins.orders_tracked import OrdersSettings, OrdersTracked
from thrumline.plugins.track_speed import TrackSettings, TrackSpeed

RATIOS_DB = (10.0, 20.0, 30.0, 40.0)
WEAK_DB = (0.0, 5.0)
FULL = 2600
"""2,000 lines to be read, 125 of each ratio, recipe and company; 400 weaker ones; 200 captures without a line."""


@dataclass(frozen=True)
class Case:
    """One capture to be made: its spec, the class it counts in, and the nominal speed told to the reader."""

    spec: IdleSpec
    ratio_db: float | None
    running_up: bool
    neighbours: bool
    nominal_rpm: float
    seed: int
    nearest_hz: float = np.inf


@dataclass(frozen=True)
class Outcome:
    """What came of one case: relative and normalised error of ``rss``, frequency error, marks."""

    case: Case
    code: str | None
    error: float = np.nan
    normalised: float = np.nan
    frequency_hz: float = np.nan
    frequency_std_hz: float = np.nan
    marks: tuple[str, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)

    @property
    def frequency_right(self) -> bool:
        """Within 0.02 Hz or three standard uncertainties."""
        return abs(self.frequency_hz) <= max(0.02, 3.0 * self.frequency_std_hz)


def drawn_case(index: int, seed: int) -> Case:
    """The case with this number: the same for the same seed, whatever share is run.

    Of each 13 cases ten are lines to be read, their ratio, recipe and neighbours taking equal shares; two are lines
    too weak for a value, and one has no line.
    """
    block, place = divmod(index, 13)
    rng = np.random.default_rng([seed, index])
    if place == 12:
        return _drawn(rng, None, running_up=bool(block % 2), neighbours=False)
    if place >= 10:
        turn = 2 * block + place - 10
        return _drawn(rng, WEAK_DB[turn % 2], running_up=bool(turn // 2 % 2), neighbours=bool(turn // 4 % 2))
    turn = 10 * block + place
    return _drawn(rng, RATIOS_DB[turn % 4], running_up=bool(turn // 4 % 2), neighbours=bool(turn // 8 % 2))


def _drawn(rng: np.random.Generator, ratio_db: float | None, *, running_up: bool, neighbours: bool) -> Case:
    wander = rng.uniform(0.015, 0.03) if running_up else np.exp(rng.uniform(np.log(0.001), np.log(0.015)))
    strokes = int(rng.choice([2, 4]))
    cylinders = int(rng.integers(1, 13))
    order = cylinders * 2.0 / strokes
    rpm = float(np.exp(rng.uniform(np.log(500.0), np.log(4500.0))))
    line_hz = order * rpm / 60.0
    floor = 0.1 * np.exp(rng.uniform(-0.5, 0.5, 3))
    shape = rng.uniform(0.2, 1.0, 3)
    shape /= np.sqrt(np.sum(shape**2))
    rss_mg = 0.0 if ratio_db is None else np.sqrt(2.0 * np.sum(floor**2) * 10.0 ** (ratio_db / 10.0))
    accessories, orders = _beside(order, rss_mg * shape.max(), rng) if neighbours else ((), ())
    spec = IdleSpec(
        duration_s=float(rng.uniform(30.0, 45.0)), rate_hz=float(max(400.0, np.ceil(3.2 * line_hz / 100.0) * 100.0)),
        rpm=rpm, cylinders=cylinders, strokes=strokes, amplitude_mg=tuple(rss_mg * shape), floor_mg_rthz=tuple(floor),
        wander=float(wander), am=0.0, accessories=accessories, orders=orders,
    )  # fmt: skip
    nearest = min((abs(r - order) * rpm / 60.0 for r, _ in accessories), default=np.inf)
    nominal = rpm * float(rng.uniform(0.95, 1.05))
    return Case(spec, ratio_db, running_up, neighbours, nominal, int(rng.integers(2**31)), nearest)


def _beside(order: float, most_mg: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """An accessory of 10 to 60 %, or two (the other 10 to 25 %), 1 to 30 % away, and other engine orders."""
    accessories = []
    for most in (0.6, 0.25)[: int(rng.integers(1, 3))]:
        away = np.exp(rng.uniform(np.log(0.01), np.log(0.3))) * rng.choice([-1.0, 1.0])
        accessories.append((order * (1.0 + away), most_mg * rng.uniform(0.1, most)))
    steps = rng.choice([-1.0, -0.5, 0.5, 1.0], 2, replace=False)
    orders = tuple((order + s, most_mg * rng.uniform(0.05, 0.4)) for s in steps if order + s > 0.4)
    return tuple(accessories), orders


def read_capture(case: Case, capture: SimulatedCapture) -> Any:
    """The ``rss`` reading of a capture, through the same stages a recipe runs."""
    spec = case.spec
    channels = tuple(ChannelSpec(axis, "acceleration", "m s-2", "seat rail", axis) for axis in "xyz")
    signal = SignalSpec(channels, uniform=True, rate_hz=spec.rate_hz, duration_s=spec.duration_s)
    facts = {"cylinders": spec.cylinders, "strokes": spec.strokes, "rpm": case.nominal_rpm, "firing_order": None}
    context = Context(signal, facts=facts, span_s=(0.0, spec.duration_s))
    block = Block(capture.acceleration, 0, 0, 0.0, spec.rate_hz)
    room = 10.0 if case.running_up else 5.0
    products: dict[str, Any] = {}
    for stage in (TrackSpeed(TrackSettings(room_percent=room)), OrdersTracked(OrdersSettings())):
        accumulator = stage.open(signal, context, products)
        accumulator.accumulate(block)
        products[stage.makes] = accumulator.finish()
    return FiringOrder(FiringOrderSettings()).readings(products, context)[0], products


def outcome(case: Case) -> Outcome:
    """Simulate one case and read it."""
    capture = idle_capture(case.spec, case.seed)
    reading, products = read_capture(case, capture)
    if reading.value is None:
        return Outcome(case, str(reading.absent.code), extra={"products": products, "reading": reading})
    true_mg = float(np.sqrt(np.sum(capture.mean_amplitude() ** 2)) / MILLI_G)
    true_hz = case.spec.order * capture.mean_speed_hz()
    return Outcome(
        case, None, reading.value / true_mg - 1.0 if true_mg else np.inf,
        (reading.value - true_mg) / reading.std_uncertainty, reading.frequency_hz - true_hz,
        reading.extra["frequency_std_hz"], tuple(str(mark.code) for mark in reading.marks),
        {"products": products, "reading": reading},
    )  # fmt: skip


def outcomes(share: float = 1.0, seed: int = 20261125) -> list[Outcome]:
    """Outcomes of the first ``share`` of the cases."""
    return [outcome(drawn_case(index, seed)) for index in range(max(1, round(share * FULL)))]


@dataclass(frozen=True)
class WeakFigures:
    """One row of the table of lines too weak for a value: how many, with a value, with a bound, with one that holds."""

    label: str
    n: int
    valued: int
    bounded: int
    held: int


def weak_table(all_outcomes: Sequence[Outcome]) -> list[WeakFigures]:
    """Figures of the weak lines, by ratio and recipe."""
    rows = []
    for ratio in WEAK_DB:
        for running_up in (False, True):
            members = [i for i in all_outcomes if (i.case.ratio_db, i.case.running_up) == (ratio, running_up)]
            bounds = [(item.extra["reading"].extra.get("upper_bound_mg"), item) for item in members if item.code]
            known = [(bound, item) for bound, item in bounds if bound is not None]
            held = sum(bound >= np.sqrt(np.sum(np.square(item.case.spec.amplitude_mg))) for bound, item in known)
            label = f"{ratio:.0f} dB {'run-up' if running_up else 'idle'}"
            rows.append(WeakFigures(label, len(members), len(members) - len(bounds), len(known), int(held)))
    return rows


@dataclass(frozen=True)
class ClassFigures:
    """One row of the table."""

    label: str
    n: int
    refused: int
    bias: float
    bias_std: float
    scatter: float
    normalised_std: float
    worst: float
    frequency_wrong: int
    unresolved: int


def class_figures(label: str, members: Sequence[Outcome]) -> ClassFigures:
    """Figures of one class of outcomes."""
    read = [item for item in members if item.code is None]
    error = np.array([item.error for item in read])
    normal = np.array([item.normalised for item in read])
    many = error.size > 1
    return ClassFigures(
        label, len(members), len(members) - len(read), float(error.mean()) if read else np.nan,
        float(error.std(ddof=1) / np.sqrt(error.size)) if many else np.nan,
        float(error.std(ddof=1)) if many else np.nan, float(normal.std(ddof=1)) if many else np.nan,
        float(np.abs(error).max()) if read else np.nan, sum(not item.frequency_right for item in read),
        sum("unresolved" in item.marks for item in read),
    )  # fmt: skip


def table(all_outcomes: Sequence[Outcome], *, fine: bool = True) -> list[ClassFigures]:
    """Figures per class: ratio by recipe; ``fine`` also parts captures with neighbours from those without."""
    rows = []
    for ratio in RATIOS_DB:
        for running_up in (False, True):
            of_class = [i for i in all_outcomes if (i.case.ratio_db, i.case.running_up) == (ratio, running_up)]
            label = f"{ratio:.0f} dB {'run-up' if running_up else 'idle'}"
            if not fine:
                rows.append(class_figures(label, of_class))
                continue
            for neighbours in (False, True):
                members = [item for item in of_class if item.case.neighbours == neighbours]
                rows.append(class_figures(f"{label}{', neighbours' if neighbours else ''}", members))
    return rows


def lines_of(rows: Iterable[ClassFigures]) -> list[str]:
    """The table as text."""
    head = f"{'class':28s} {'n':>5s} {'refused':>7s} {'bias %':>7s} {'+-':>5s} {'scatter %':>9s} {'norm.':>6s} "
    head += f"{'+-':>5s} "
    head += f"{'worst %':>8s} {'f wrong':>7s} {'unresolved':>10s}"
    text = [head]
    for row in rows:
        spread_std = row.normalised_std / np.sqrt(2.0 * max(1, row.n - row.refused))
        text.append(
            f"{row.label:28s} {row.n:5d} {row.refused:7d} {100 * row.bias:7.2f} {100 * row.bias_std:5.2f} "
            f"{100 * row.scatter:9.2f} {row.normalised_std:6.2f} "
            f"{spread_std:5.2f} {100 * row.worst:8.1f} {row.frequency_wrong:7d} {row.unresolved:10d}"
        )
    return text


def false_lines(all_outcomes: Sequence[Outcome]) -> tuple[int, int]:
    """Captures without a line that were given a value, and captures without a line."""
    silent = [item for item in all_outcomes if item.case.ratio_db is None]
    return sum(item.code is None for item in silent), len(silent)


def main() -> None:
    """Run the benchmark and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    told = "share of the 2,600 captures; above 1 draws more of the same kind"
    parser.add_argument("--share", type=float, default=1.0, help=told)
    parser.add_argument("--seed", type=int, default=20261125)
    options = parser.parse_args()
    found = outcomes(options.share, options.seed)
    print("\n".join(lines_of(table(found, fine=False))))
    print("\n".join(lines_of(table(found))[1:]))
    for row in weak_table(found):
        print(f"{row.label}: {row.n}, with a value {row.valued}, with a bound {row.bounded}, bound holds {row.held}")
    print("false lines: {} of {}".format(*false_lines(found)))


if __name__ == "__main__":
    main()
