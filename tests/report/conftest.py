"""Documents of invented studies: as the study writes them, with every kind of verdict and capture."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from thrumline.pipeline.report import ReportDocuments, render_report

BIRDS = (
    "Cormorant 4.8", "Dunlin 2.0", "Avocet 1.6", "Bittern 3.0", "Curlew 2.4", "Egret 1.4", "Fulmar 5.7",
    "Gannet 2.2", "Heron 3.5", "Ibis 1.8", "Jackdaw 1.2", "Kestrel 2.5", "Lapwing 2.0", "Merlin 1.0",
    "Nightjar 3.2", "Osprey 6.2", "Plover 1.5", "Quail 0.9", "Redshank 2.7", "Siskin 1.3",
)  # fmt: skip
READINGS = (("firing_order", "rss"), ("firing_order", "mean"), ("highest_bin", "rss"), ("highest_bin", "mean"))


class Fleet:
    """Builds documents repeat by repeat; the figures are drawn, the arithmetic is the textbook's."""

    def __init__(self, platforms, parts, repeats=3, limit=15.0, seed=5, places=(("seat rail", "idle-drive"),)):
        self.platforms, self.parts, self.repeats, self.limit = platforms, parts, repeats, limit
        self.places = places
        self.rng = np.random.default_rng(seed)
        self.captures, self.readings, self.comparisons, self.sentences = [], [], [], []
        self.spectra = {}

    def documents(self):
        for index, platform in enumerate(self.platforms):
            for position, condition in self.places:
                self._place(index, platform, position, condition)
        return ReportDocuments(
            study={
                "title": "Replacement engine mounts, autumn fleet", "baseline": self.parts[0],
                "limit_percent": self.limit, "limit_mg": None, "negligible_mg": 0.5, "equivalence_percent": None,
                "confidence": 0.95, "reading": "firing_order", "combination": "rss",
            },
            captures=self.captures,
            readings=self.readings,
            comparisons=self.comparisons,
            over_platforms=self._over_platforms(),
            sentences=self.sentences,
            spectra=self.spectra,
            provenance={
                "command": "thrumline run study.toml --archive fleet-archive --out results",
                "study_hash": "7d5b1f0c2a", "versions": {"thrumline": "0.1.0", "numpy": "2.4.0"}, "recipe": "idle",
                "archive": "b7c1",
            },
        )  # fmt: skip

    def _place(self, index, platform, position, condition):
        firing = 22.0 + 3.1 * (index % 7)
        level = 6.0 + 5.0 * (index % 5)
        values = {}
        for rank, part in enumerate(self.parts):
            factor = (1.0, 1.035, 1.24, 1.12, 0.93, 1.5)[rank % 6] * (1 + 0.03 * math.sin(index + rank))
            scatter = 0.05 if rank == 1 and index % 3 == 0 else 0.022
            for repeat in range(1, self.repeats + 1):
                true = level * factor * math.exp(scatter * self.rng.standard_normal())
                self._capture(platform, part, position, condition, repeat, true, firing, values)
        for candidate in self.parts[1:]:
            self._compare(platform, position, condition, self.parts[0], candidate, values, firing)
        if len(self.parts) > 2:
            self._compare(platform, position, condition, self.parts[1], self.parts[2], values, firing, carries=False)

    def _capture(self, platform, part, position, condition, repeat, true, firing, values):
        number = len(self.captures)
        identity = f"{number:064x}"
        name = f"{platform.split()[0].lower()}_{part}_r{repeat}.csv"
        labels = {
            "file": f"captures/{name}", "capture_id": identity, "platform": platform, "part": part,
            "position": position, "condition": condition, "repeat": str(repeat), "placement": "", "take": "",
            "session": f"day {repeat}", "specimen": "", "vehicle": "", "recorded_at": "",
        }  # fmt: skip
        cuts = [{"start_s": 0.0, "stop_s": 6.4, "code": "transient", "detail": "marker at 4.4 s"}]
        reasons = []
        if number % 7 == 3:
            cuts.append({"start_s": 21.0, "stop_s": 23.5, "code": "transient", "detail": "38 mg against 9 mg"})
            reasons.append({"code": "transient", "detail": "21.0 to 23.5 s cut: 38 mg against a level of 9 mg"})
        stretches = [[6.4, 40.0]] if len(cuts) == 1 else [[6.4, 21.0], [23.5, 40.0]]
        time = np.linspace(0, 40, 200)
        wobble = 1 + 0.04 * np.sin(time) + 0.02 * self.rng.standard_normal(200)
        burst = 3.0 * np.exp(-np.abs(time - 4.4) * 4) + (2.5 * np.exp(-np.abs(time - 22) * 3) if reasons else 0)
        self.captures.append({
            **labels, "state": "fit", "reasons": reasons, "sample_rate_hz": 1000.0, "duration_s": 40.0,
            "stretches": stretches, "usable_s": sum(b - a for a, b in stretches), "tags": {},
            "fitness": {
                "state": "fit", "reasons": reasons, "stretches": stretches, "cuts": cuts, "facts": {},
                "levels": {
                    "time_s": time.round(2).tolist(), "level_mg": (true * (wobble + burst)).round(3).tolist(),
                    "speed_rpm": (firing * 30 * (1 + 0.004 * np.sin(time / 3))).round(1).tolist(),
                },
            },
        })  # fmt: skip
        for reading, combination in READINGS:
            low = (1.0 if combination == "rss" else 0.55) * (0.87 if reading == "highest_bin" else 1.0)
            value = true * low * math.exp(0.004 * self.rng.standard_normal())
            values.setdefault((part, reading, combination), []).append(value)
            self.readings.append({
                **{key: labels[key] for key in ("capture_id", "file", "platform", "part", "position", "condition",
                                                "repeat", "placement", "take")},
                "result_id": identity[::-1], "reference_position": "", "reading": reading, "kind": "level",
                "order": 2.0 if reading == "firing_order" else None, "frequency_hz": firing + 0.013 * repeat,
                "line_name": "engine order 2" if reading == "firing_order" else "", "value": value, "unit": "mg",
                "detector": "peak", "combination": combination, "std_uncertainty": 0.011 * value, "absent": None,
                "tags": {},
            })  # fmt: skip
        self.spectra[identity] = self._spectrum(true, firing)

    def _spectrum(self, true, firing):
        """Up to 250 Hz in steps of 0.25 Hz, as a run hands them over."""
        frequency = np.arange(1, 1001) * 0.25
        floor = 0.02 * true * (1 + 40 / (frequency + 5)) * np.abs(1 + 0.3 * self.rng.standard_normal(frequency.size))
        amplitude = floor
        lines = []
        for factor, order, size in ((1, 2, 1.0), (0.5, 1, 0.18), (2, 4, 0.34), (3, 6, 0.12)):
            at = float(frequency[np.argmin(np.abs(frequency - firing * factor))])
            amplitude = np.maximum(amplitude, size * true * np.exp(-(((frequency - at) / 0.4) ** 2)))
            lines.append({"frequency_hz": at, "name": f"engine order {order}", "amplitude_mg": size * true})
        amplitude = np.maximum(amplitude, 0.15 * true * np.exp(-(((frequency - 50) / 0.3) ** 2)))
        lines.append({"frequency_hz": 50.02, "name": "fixed frequency", "amplitude_mg": 0.15 * true})
        return {"frequency": frequency.tolist(), "amplitude": amplitude.round(4).tolist(), "lines": lines}

    def _compare(self, platform, position, condition, baseline, candidate, values, firing, *, carries=True):
        for reading, combination in READINGS:
            one = np.log(values[(baseline, reading, combination)])
            two = np.log(values[(candidate, reading, combination)])
            low = high = None
            centre = two.mean() - one.mean()
            if len(one) > 1:
                a, b = one.var(ddof=1) / len(one), two.var(ddof=1) / len(two)
                freedom = (a + b) ** 2 / (a**2 / (len(one) - 1) + b**2 / (len(two) - 1))
                half = stats.t.ppf(0.975, freedom) * math.sqrt(a + b)
                low, high = (100 * math.expm1(centre + sign * half) for sign in (-1, 1))
            verdict, reasons, needed = _verdict(low, high, self.limit)
            entry = {
                "platform": platform, "position": position, "condition": condition, "baseline": baseline,
                "candidate": candidate, "reading": reading, "combination": combination, "unit": "mg",
                "detector": "peak", "n_baseline": len(one), "n_candidate": len(two),
                "baseline_value": math.exp(one.mean()), "candidate_value": math.exp(two.mean()),
                "frequency_hz_baseline": firing + 0.02, "frequency_hz_candidate": firing + 0.03,
                "percent_change": 100 * math.expm1(centre), "interval_low": low, "interval_high": high,
                "confidence": 0.95, "verdict": verdict, "scope": "these specimens, this vehicle",
                "reasons": reasons, "repeats_needed": needed,
                "carries_verdict": carries and (reading, combination) == ("firing_order", "rss"),
                "repeats_baseline": np.exp(one).tolist(), "repeats_candidate": np.exp(two).tolist(),
            }  # fmt: skip
            self.comparisons.append(entry)
            self.sentences.append(sentence(entry, self.limit))

    def _over_platforms(self):
        found = []
        for candidate in self.parts[1:]:
            changes = [
                item["percent_change"]
                for item in self.comparisons
                if item["carries_verdict"] and item["candidate"] == candidate
            ]
            logs = np.log1p(np.array(changes) / 100)
            if len(logs) < 2:
                continue
            enough = len(logs) >= 3
            spread = logs.std(ddof=1) if enough else 0.0
            half = stats.t.ppf(0.975, len(logs) - 1) * spread / math.sqrt(len(logs)) if enough else 0
            wide = stats.t.ppf(0.975, len(logs) - 2) * spread * math.sqrt(1 + 1 / len(logs)) if len(logs) > 4 else None
            mean = logs.mean()

            def back(x):
                return 100 * math.expm1(x)

            found.append({
                "candidate": candidate, "position": self.places[0][0], "condition": self.places[0][1],
                "reading": "firing_order", "combination": "rss", "n_platforms": len(logs),
                "percent_change": back(mean) if enough else None,
                "interval_low": back(mean - half) if enough else None,
                "interval_high": back(mean + half) if enough else None,
                "prediction_low": back(mean - wide) if wide else None,
                "prediction_high": back(mean + wide) if wide else None,
                "tau": float(spread) if wide else None, "i2": 0.62 if wide else None,
            })  # fmt: skip
        return found


def _verdict(low, high, limit):
    if low is None:
        return "indicative", [{"code": "single_repeat", "detail": "1 repeat of each part; 2 are wanted"}], None
    if high <= limit:
        return "within_limit", [], None
    if low > limit:
        return "over_limit", [], None
    return "open", [{"code": "speed_differs", "detail": "1.3 % against 1 %"}], 7


def sentence(entry, limit):
    """A verdict sentence in the study's manner."""
    where = f"{entry['candidate']} on {entry['platform']}, {entry['condition']}, {entry['position']}"
    if entry["percent_change"] is None:
        return f"{where}: {entry['verdict'].replace('_', ' ')}."
    change = entry["percent_change"]
    text = f"{where}: {abs(change):.0f} % {'more' if change >= 0 else 'less'} than {entry['baseline']}"
    if entry["interval_low"] is not None:
        text += f" (95 %: {entry['interval_low']:.0f} to {entry['interval_high']:.0f})"
    text += f", limit {limit:g} % - {entry['verdict'].replace('_', ' ')}"
    if entry["repeats_needed"]:
        text += f"; {entry['repeats_needed'] - entry['n_candidate']} more repeats of each part would settle it"
    return text + ". These specimens, this vehicle."


def with_troubles(documents):
    """The same study with a refused and an unfit capture, and a comparison that has no verdict."""
    refused = {
        **documents.captures[0], "file": "captures/avocet_candidate-B_r4.csv", "capture_id": None, "repeat": "4",
        "state": "refused", "stretches": [], "usable_s": None, "duration_s": None, "sample_rate_hz": None,
        "reasons": [{"code": "not_numeric", "detail": "line 812: 'OVR' in column z_g"}], "fitness": None,
    }  # fmt: skip
    unfit = dict(documents.captures[1])
    reason = {"code": "clipped", "detail": "z: 0.42 % of samples at +2.00 g, allowed 0.1 %"}
    unfit |= {
        "file": "captures/avocet_candidate-B_r5.csv", "repeat": "5", "state": "unfit", "reasons": [reason],
        "stretches": [], "usable_s": 0.0, "fitness": {**unfit["fitness"], "state": "unfit", "stretches": []},
    }  # fmt: skip
    silent = {
        **documents.comparisons[-1], "platform": "Wren 1.1", "percent_change": None, "interval_low": None,
        "interval_high": None, "baseline_value": None, "candidate_value": None, "verdict": "no_verdict",
        "frequency_hz_baseline": None, "frequency_hz_candidate": None, "n_candidate": 0, "repeats_needed": None,
        "baseline": documents.study["baseline"], "candidate": "candidate-A", "reading": "firing_order",
        "combination": "rss", "carries_verdict": True,
        "reasons": [{"code": "no_capture", "detail": "no fit capture of candidate-A"}],
    }  # fmt: skip
    return replace(
        documents,
        captures=[*documents.captures, refused, unfit],
        comparisons=[*documents.comparisons, silent],
        sentences=[*documents.sentences, sentence(silent, 15.0)],
        notes=["One look was taken at this study; the intervals are not widened."],
    )


def with_order_spectra(documents, platform):
    """The same study with run-ups on one platform: orders up to 12 in 1/32, the last quarter of an order unreached."""
    order, made = np.arange(1, 385) / 32, {}
    rng = np.random.default_rng(11)
    for item in documents.captures:
        if item["platform"] == platform and item["capture_id"]:
            level = 1.0 + 0.2 * int(item["repeat"])
            lines = [(2.0, 9.0), (4.0, 3.0), (2.69, 1.2), (0.5, 0.9), (6.0, 0.7), (11.5, 0.5)]
            amplitude = 0.02 * np.abs(1.0 + 0.3 * rng.standard_normal(order.size))
            for at, height in lines:
                amplitude = np.maximum(amplitude, level * height * np.exp(-(((order - at) * 32) ** 2) / 2))
            amplitude[order > 11.75] = np.nan
            made[item["capture_id"]] = {
                "order": order, "amplitude": amplitude, "revolutions": 32,
                "lines": [{"order": at, "amplitude_mg": level * height} for at, height in lines],
            }  # fmt: skip
    return replace(documents, order_spectra=made)


@pytest.fixture(scope="session")
def small_documents():
    """3 platforms, 3 parts, 3 repeats, with one refused and one unfit capture; run-ups on the first platform."""
    documents = with_troubles(Fleet(BIRDS[:3], ("original", "candidate-A", "candidate-B")).documents())
    return with_order_spectra(documents, BIRDS[0])


@pytest.fixture(scope="session")
def single_documents():
    """One comparison of one repeat each: indicative, no interval."""
    return Fleet(BIRDS[:1], ("original", "candidate-A"), repeats=1).documents()


@pytest.fixture(scope="session")
def wide_documents():
    """Nine parts and names nobody would want to type."""
    parts = ("the original as delivered by the maker of the vehicle", *(f"candidate-{c} shore 55 lot 7" for c in "ABCDEFGH"))
    return Fleet(("Cormorant 4.8 " + "estatewagonwithoutanyblank" * 4, "Dunlin 2.0"), parts).documents()


@pytest.fixture(scope="session")
def large_documents():
    """40 platforms, 6 parts, 3 repeats."""
    names = [f"{bird}{suffix}" for suffix in ("", " estate") for bird in BIRDS]
    parts = ("original", "candidate-A", "candidate-B", "candidate-C", "candidate-D", "candidate-E")
    return Fleet(tuple(names), parts).documents()


@pytest.fixture(scope="session")
def small_page(small_documents):
    """The report of the small study as text."""
    return render_report(small_documents)
