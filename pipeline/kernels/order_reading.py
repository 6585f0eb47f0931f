"""Reading a set of orders from the zoom's parts: energies, who follows the speed, amplitude over time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from .line_levels import output_times
from .order_tracking import (
    BandPlan,
    OrderEnergy,
    amplitude_over_time,
    follows_speed,
    order_energy,
    order_presence,
)
from .stopped_orders import StoppedRun, revolutions, stopped, stopped_orders
from .zoom import ComplexArray, FloatArray, ZoomPlan
from .zoomed_runs import ZoomedRun


@dataclass(frozen=True)
class ReadParts:
    """What came of parts read together.

    Per order the energy and whether it follows the speed (never asked of the first one); revolutions and
    seconds of all parts; per reported order, instants of the capture and amplitude over time
    [shape=(n_channel, n_step)].
    """

    energies: tuple[OrderEnergy, ...]
    follows: tuple[bool, ...]
    revolutions: float
    seconds: float
    n_parts: int
    tracks: tuple[tuple[FloatArray, FloatArray], ...]


@dataclass(frozen=True)
class OrderReader:
    """Orders, their bands in one zoom, and the speed track they are read along.

    The first ``n_reported`` orders are read with all care, the others only for their presence. Where orders
    sweep too far for a band, ``sweeping``, the samples are mixed first and the zoom has one centre, 0 Hz.
    """

    orders: tuple[float, ...]
    n_reported: int
    n_channel: int
    zoom: ZoomPlan
    bands: tuple[BandPlan, ...]
    track_time_s: FloatArray
    speed_hz: FloatArray
    sweeping: bool
    step_s: float
    first_center: int = 0
    """Where this reader's orders begin among the zoom's centres."""

    @property
    def n_zoomed(self) -> int:
        """Signals that go through the zoom."""
        return self.n_channel * (len(self.orders) if self.sweeping else 1)

    def mixed(self, values: FloatArray, time_s: FloatArray) -> ComplexArray:
        """Every channel turned back by every order's angle [shape=(n_order * n_channel, n)]."""
        turns = revolutions(time_s, self.track_time_s, self.speed_hz)
        back = np.exp(-2j * np.pi * np.mod(np.array(self.orders)[:, None] * turns, 1.0))
        return np.asarray((back[:, None] * values[None]).reshape(-1, time_s.size))

    def read(self, parts: list[tuple[float, ZoomedRun]]) -> ReadParts:
        """Read all orders over some parts together; each comes with its run's start on the capture's clock."""
        energies: list[OrderEnergy] = []
        follows, tracks = [], []
        stood = [self._stopped(start_s, part) for start_s, part in parts]
        for index in range(len(self.orders)):
            runs = [orders[index] for orders, _ in stood]
            reported = index < self.n_reported
            energies.append((order_energy if reported else order_presence)(runs, self.bands[index]))
            there = index > 0 and bool(np.any(energies[-1].square > energies[-1].noise_square_std()))
            follows.append(there and follows_speed(runs, energies[-1].floor))
            if reported:
                tracks.append(self._over_time([start_s for start_s, _ in parts], runs, energies[-1], index))
        seconds = sum((part.stop - part.start) / self.zoom.rate_hz for _, part in parts)
        turned = sum(revolved for _, revolved in stood)
        return ReadParts(tuple(energies), tuple(follows), turned, seconds, len(parts), tuple(tracks))

    def _stopped(self, start_s: float, part: ZoomedRun) -> tuple[list[StoppedRun], float]:
        """Every order's baseband, stopped by the track, and the crankshaft's revolutions from end to end of a part."""
        # a length of small prime factors: the transforms of a prime one take ten times as long
        at = output_times(self.zoom, part)[: fft.prev_fast_len(part.n_out)]
        ends = np.array([part.start, part.stop]) / self.zoom.rate_hz
        turns = revolutions(start_s + np.concatenate([at, ends]), self.track_time_s, self.speed_hz)
        cycles = np.multiply.outer(np.array(self.orders), turns[:-2])
        n_order, n = len(self.orders), at.size
        if self.sweeping:
            values = part.baseband[0].reshape(n_order, self.n_channel, -1)[..., :n]
        else:
            centers = slice(self.first_center, self.first_center + n_order)
            centers_hz = np.array(self.zoom.centers_hz[centers])
            values = stopped(part.baseband[centers, :, :n], at, centers_hz, cycles)
        return stopped_orders(values, at, cycles), float(turns[-1] - turns[-2])

    def _over_time(
        self, starts_s: list[float], runs: list[StoppedRun], energy: OrderEnergy, index: int
    ) -> tuple[FloatArray, FloatArray]:
        found = [amplitude_over_time(run, energy.floor, self.bands[index], self.step_s) for run in runs]
        at = [start_s + time_s for start_s, (time_s, _) in zip(starts_s, found, strict=True)]
        return np.concatenate(at), np.concatenate([values for _, values in found], axis=-1)
