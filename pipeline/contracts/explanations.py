"""What each reason code means, what it does, its threshold, and how to avoid it; and the words of the trade."""

from __future__ import annotations

from types import MappingProxyType

from .reasons import Explanation, ReasonCode, level_of

_REFUSED = "Refused: the original is kept in quarantine, nothing is read from it, the other captures go on."
_UNFIT = "Unfit: archived and listed, but no reading of it is used."
_FLAGGED = "Stated beside the capture; it is still used."
_NO_VERDICT = "The comparison has no verdict."
_INDICATIVE = "The percentage is shown, and the verdict is at most indicative."
_STATED = "Stated beside the verdict, which stands."

# code: (effect, meaning, threshold, how to avoid)
_TEXT: dict[ReasonCode, tuple[str, str, str, str]] = {
    ReasonCode.EMPTY: (
        _REFUSED,
        "The file holds no rows of data at all: no bytes, or a header and nothing under it.",
        "no data row",
        "Look at the recorder's memory and at how the file was copied; record again while the part is still in.",
    ),
    ReasonCode.NOT_NUMERIC: (
        _REFUSED,
        "There are rows, but cells that should be numbers are not; the first such line is named.",
        "one cell that is no number",
        "Export again without text in the data columns; if the logger writes words at dropouts, leave them empty.",
    ),
    ReasonCode.UNKNOWN_UNIT: (
        _REFUSED,
        "Neither the file nor the table says in which unit the samples are, and a unit is never guessed.",
        "no unit in the header, the metadata or the column `unit`",
        "Fill the column `unit` (g, mg, m/s2, or counts together with `scale`).",
    ),
    ReasonCode.AMBIGUOUS: (
        _REFUSED,
        "The file can be read in two ways that give different samples, or its columns cannot be told apart.",
        "two readings that differ",
        "Say which it is: `axes` names the columns, `sample_rate_hz` the clock, `unit` the unit.",
    ),
    ReasonCode.UNREADABLE: (
        _REFUSED,
        "No installed reader knows this format, or the file breaks the rules of its own format.",
        "no reader accepts it",
        "Run `thrumline inspect FILE` to see what was tried; export as text, or install a reader for the format.",
    ),
    ReasonCode.BAD_CLOCK: (
        _REFUSED,
        "The time stamps do not make a clock: they run backwards, repeat, or no rate can be found in them.",
        "stamps that cannot be put in order, or no time column and no `sample_rate_hz`",
        "Fill `sample_rate_hz` where the file has no time column; otherwise export again with the logger's own clock.",
    ),
    ReasonCode.NON_FINITE: (
        _REFUSED,
        "Samples are infinite or not a number, so sums over them mean nothing.",
        "one sample that is not finite",
        "Find out why the logger wrote it (lost connection, overflow) and record again.",
    ),
    ReasonCode.LIMIT_EXCEEDED: (
        _REFUSED,
        "Reading the file would have used more memory, or given more samples, than one file is allowed.",
        "the limits on one file in the settings",
        "Split the recording, or raise the limit in the settings if the file is meant to be that long.",
    ),
    ReasonCode.MISSING_FILE: (
        _REFUSED,
        "The table names a file that is not there.",
        "path relative to the table's own folder",
        "Correct the path in the table or put the file in its place; paths are relative to the table.",
    ),
    ReasonCode.DUPLICATE: (
        "Refused: none of the rows is used; the recording stays in the archive, the other captures go on.",
        "Two rows are one capture, or two files hold the same samples: one recording would be counted twice.",
        "two rows with one capture identity, or with as many samples and levels alike within 0.1 % in 24 frames",
        "Remove one row, or point it to the file that was meant; both rows are named.",
    ),
    ReasonCode.READER_FAULT: (
        _REFUSED,
        "The reader itself failed on this file, which is a fault of the reader and not of the recording.",
        "an error the reader did not foresee",
        "Run `thrumline inspect FILE`, and send the message to whoever maintains the reader.",
    ),
    ReasonCode.WORKER_KILLED: (
        _REFUSED,
        "The process that read this file died, and died again when it was tried once more.",
        "repeated loss of the process",
        "Look for memory pressure on the machine; run the file alone to see whether it is the cause.",
    ),
    ReasonCode.TIMEOUT: (
        _REFUSED,
        "Reading took longer than the watchdog allows, so it was stopped.",
        "the time allowed for one file in the settings",
        "Check the file (a slow network drive is usual), or raise the time allowed in the settings.",
    ),
    ReasonCode.SHORT: (
        _UNFIT,
        "What is left after markers, transients and gaps were cut is shorter than the study asks for.",
        (
            "usable seconds below `minimum_duration_s` (30 s unless the study says otherwise); stretches under "
            "4 s do not count"
        ),
        "Record longer than you need: 40 s leaves room for a cut.",
    ),
    ReasonCode.GAPS: (
        _UNFIT,
        "The recording would be long enough, but samples are missing in it and too little is left between the gaps.",
        "usable seconds below `minimum_duration_s`; each gap is cut with 0.1 s on either side",
        "Use a faster memory card or a lower rate, and look at the connection; then record again.",
    ),
    ReasonCode.CLIPPED: (
        _UNFIT,
        "The signal ran into the end of the sensor's range, so its peaks are cut off and the spectrum is false.",
        "more than 0.1 % of the samples, and at least 5, in runs of 3 or more equal values at the channel's extreme",
        "Choose the next higher range of the sensor, or a stiffer, less lively place for it.",
    ),
    ReasonCode.HUNTING: (
        _UNFIT,
        "The engine's speed wandered too much for an idle reading over everything left after the cuts.",
        "standard deviation of speed above 2 %",
        "Warm the engine up, switch consumers off, wait until idle has settled, and record again.",
    ),
    ReasonCode.STUCK: (
        _UNFIT,
        "A channel stood still while it should have moved: a dead sensor, a loose plug or a frozen logger.",
        "a channel that keeps one value for longer than the recipe allows",
        "Look at plug and cable, tap the sensor and watch all channels, then record again.",
    ),
    ReasonCode.STATIC_VECTOR: (
        _UNFIT,
        (
            "At rest the three axes together must show gravity; here they do not. A wrong unit or scale, or a "
            "dead or swapped channel, does this."
        ),
        "length of the static vector outside 1 g ± 5 %",
        "Check `unit`, `scale` and `axes`; state `coupling = ac` if the sensor cannot measure gravity.",
    ),
    ReasonCode.DETACHED: (
        _UNFIT,
        "The sensor came loose or was moved during the recording: its direction of gravity changed on the way.",
        "the static direction moves within one capture by more than the recipe allows",
        "Fix the sensor again, firmly, and record again; clamp or screw rather than tape.",
    ),
    ReasonCode.TRANSIENT: (
        _FLAGGED,
        "A knock, a door or a step shook the sensor; that piece was cut out.",
        "cut from 0.5 s before it to 1 s after the level is back",
        "Nobody moves in or on the vehicle while it records.",
    ),
    ReasonCode.TWO_STATES: (
        _FLAGGED,
        (
            "The engine ran under two loads in one capture (a compressor or fan switched in). The longer state "
            "is used, the other is reported."
        ),
        "two levels, each held for longer than the recipe's least state",
        "Switch consumers off, or wait for the fan; log the consumer's state on a channel of its own.",
    ),
    ReasonCode.TILT: (
        "Stated; where the two axis combinations contradict each other the comparison stays open.",
        "The sensor did not sit the same way in both captures.",
        "more than 2 degrees between the static vectors of two captures that are compared",
        "Mark the sensor's place and put it on against a straight edge.",
    ),
    ReasonCode.ALIASED: (
        _FLAGGED,
        "There is strong content near half the sample rate, so faster vibration may have folded down into the band.",
        "level close to the upper end of the band above what the recipe allows",
        "Record at a higher rate, or with the logger's anti-alias filter on.",
    ),
    ReasonCode.NO_LINE: (
        "The reading is absent.",
        "No line stands out of the floor where one was looked for.",
        "no component above the floor in the searched band",
        "Check `rpm`, `cylinders`, `firing_order` in the table; for another source set `highest_bin` and `band_hz`.",
    ),
    ReasonCode.NO_SPEED: (
        "The order reading is absent.",
        "Nothing tells the engine's speed: no tachometer, no logged rpm, and no `cylinders` with `rpm` in the table.",
        "neither a speed channel nor `cylinders` and `rpm`",
        "Fill `cylinders` and `rpm` in the table, record a tachometer, or give a run-up its `sweep_rpm`.",
    ),
    ReasonCode.AT_FLOOR: (
        "No percent is given; a comparison of such readings has no verdict.",
        "The reading is too close to what the sensor shows without the engine.",
        "under 3 times the engine-off background or the sensor's floor",
        "Use a quieter sensor or a livelier position; record engine-off captures so that the floor is known.",
    ),
    ReasonCode.UNRESOLVED: (
        "The value is kept and its uncertainty is widened by what the neighbour may add.",
        "Another line lies so close that the two cannot be told apart.",
        "a neighbour inside the band of the reading",
        "Switch the accessory off, shift idle a little, or record longer.",
    ),
    ReasonCode.STAGE_FAILED: (
        "The reading is absent; the rest of the run goes on.",
        "A stage of the recipe failed on this capture.",
        "an error the stage did not foresee",
        "Read the detail; if the stage comes from a plugin, send it to its author.",
    ),
    ReasonCode.TAKES_ONLY: (
        _INDICATIVE,
        (
            "There are further takes or placements but no second fresh fitting. Takes scatter far less than "
            "fittings, so no interval is made of them."
        ),
        "fewer than 2 repeats on a side",
        "Take the part out and fit it again for each repeat; three repeats of each part are a good start.",
    ),
    ReasonCode.SINGLE_REPEAT: (
        _INDICATIVE,
        "One part was fitted only once, so nothing says how much a fresh fitting changes the figure.",
        "fewer than 2 repeats on a side",
        "Fit each part at least twice, better three times.",
    ),
    ReasonCode.ONE_SESSION: (
        _INDICATIVE,
        (
            "All of one part was measured in one session and all of the other in another: a change of the day "
            "cannot be told from a change of the part."
        ),
        "no session holds both parts",
        "Alternate the parts within a session and end with the baseline fitted again.",
    ),
    ReasonCode.NO_CAPTURE: (
        _NO_VERDICT,
        "No fit capture is left for one of the two parts.",
        "0 usable repeats on a side",
        "Look at the captures left out and why; record those again.",
    ),
    ReasonCode.NOT_COMPARABLE: (
        _NO_VERDICT,
        "The two parts were measured under conditions too different to compare.",
        "speeds more than 3 % apart",
        "Record both parts at the same idle speed, gear and load.",
    ),
    ReasonCode.ORIENTATION: (
        "The comparison stays open.",
        (
            "Two ways to combine the axes contradict each other: one is within the limit, the other over it. "
            "The sensor's direction matters here."
        ),
        "`rss` and `mean` on different sides of the limit",
        "Fix the sensor in the same direction for both parts, and look at the tilt of each capture.",
    ),
    ReasonCode.ONE_SPECIMEN: (
        _STATED,
        "One physical piece of a part was measured, so the verdict speaks of that piece and not of the production.",
        "fewer than 3 specimens of a part (hardness of rubber may vary by 5 Shore, 15 to 20 % in stiffness)",
        "Measure three or more specimens of each part.",
    ),
    ReasonCode.EXPLORATORY: (
        _STATED,
        "This figure was not what the study file asks for, so it cannot carry a verdict.",
        "a reading, combination or question outside the study file",
        "Write the question into the study file before looking at the answers.",
    ),
    ReasonCode.SPEED_DIFFERS: (
        _STATED,
        (
            "The engine ran at somewhat different speeds with the two parts; the figure moves by about 2.5 % "
            "for 1 % of speed."
        ),
        "speeds more than 1 % apart",
        "Let the idle settle, and record both parts at one temperature and load.",
    ),
    ReasonCode.TEMPERATURE_DIFFERS: (
        _STATED,
        "The mounts were not equally warm; rubber changes by 10 to 30 % between 20 and 80 °C.",
        "mount temperatures more than 5 K apart",
        "Warm up for the same time, and note `mount_temp_c` in the table.",
    ),
}

EXPLANATIONS: MappingProxyType[ReasonCode, Explanation] = MappingProxyType(
    {
        code: Explanation(level=level_of(code), effect=effect, meaning=meaning, avoid=avoid, threshold=threshold)
        for code, (effect, meaning, threshold, avoid) in _TEXT.items()
    }
)
"""Every code of ``ReasonCode``, explained for the person who has to act on it."""

LEVEL_DEFINITION: tuple[str, str] = (
    "level of sound",
    (
        "LAeq and LCeq are equivalent sound pressure levels over the stretches used, A and C weighted as in "
        "IEC 61672-1; LAF,max is the greatest A-weighted level with time weighting F; an order level is the rms of "
        "what follows that engine order, not weighted. dB re 20 µPa. A level changes by decibels, never by a "
        "percentage. Only sound that the sampling rate holds is in it (band_hz of the reading)."
    ),
)
"""Stands on a page beside the others where a level is told."""

DEFINITIONS: tuple[tuple[str, str], ...] = (
    ("capture", "One recording. It is fit, unfit (kept but not used) or refused (no trustworthy samples)."),
    (
        "repeat",
        (
            "A fresh fitting: part out, part in, sensor off, sensor on. Takes (recorded again, nothing touched) "
            "and placements (sensor off and on again) are averaged inside their repeat and never counted as "
            "repeats."
        ),
    ),
    ("baseline", "The part every change is a percentage of. Percent change is always of the baseline."),
    (
        "firing order reading",
        (
            "The vibration amplitude that follows the engine's firing, read in step with the crankshaft, so "
            "that a wandering idle does not smear it. Detector peak, unit milli-g (mg); 1 g is 9.80665 m/s²."
        ),
    ),
    (
        "conventional reading",
        (
            "The highest bin of a spectrum with fixed frequency steps, as the trade quotes it. It reads low "
            "when idle wanders; it is shown for reference and carries no verdict unless the study asks for it."
        ),
    ),
    (
        "axis combination",
        (
            "rss is the root of the summed squares of the axes' amplitudes and does not depend on how the "
            "sensor is turned; mean is the arithmetic mean over the axes' spectra, which does."
        ),
    ),
    (
        "interval",
        (
            "The range that holds the true change in the stated share of such studies, made from the scatter of "
            "repeats (t interval on the logarithm of the ratio, degrees of freedom after Welch and "
            "Satterthwaite)."
        ),
    ),
    ("within limit", "The whole interval lies at or below the limit, or both parts lie below what can be felt."),
    ("over limit", "The whole interval lies above the limit."),
    ("open", "The interval holds the limit: more repeats may settle it, and the page says how many where it can."),
    ("indicative", "A percentage without the repeats, or the order of runs, that a verdict needs."),
    ("no verdict", "Nothing can be said: no fit captures, readings at the floor, or conditions not comparable."),
    (
        "over platforms",
        (
            "A mean of the logarithms of the ratios in which platforms differ from each other (random effects, "
            "Hartung-Knapp interval). The prediction is where one further platform would land."
        ),
    ),
)
"""Words of the report, explained where a reader may need them."""
