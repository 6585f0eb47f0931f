"""The table of outside checks: one row a test function, with quantity, source, tolerance and what was found."""

from __future__ import annotations

import inspect
import re
from collections import defaultdict
from pathlib import Path

BEGIN, END = "<!-- outside checks: begin -->", "<!-- outside checks: end -->"

LIBRARIES = {
    "scipy": r"\bscipy\b|\bsignal\.\w|\bstats\.\w|spsignal", "numpy": r"numpy\.(fft|linalg)|np\.(fft|linalg)\.",
    "statsmodels": r"statsmodels", "pandas": r"\bpandas\b|\bpd\.", "xarray": r"\bxarray\b|\bxr\.",
    "axe-core": r"axe-core", "hashlib and json": r"hashlib",
    "zarr": r"\bzarr\b", "astropy": r"astropy", "soundfile": r"soundfile", "h5py": r"h5py",
    "Python's float()": r"Python's own float|plain Python float",
}  # fmt: skip
"""General-purpose libraries that serve as a second route."""

SOURCES = {
    "F. J. Harris, Proc. IEEE 66, 1978": r"Harris, Proc|HARRIS\b|Harris 1978",
    "G. Heinzel et al., MPI Gravitationsphysik, 2002": r"Heinzel|HEINZEL",
    "P. D. Welch, IEEE Trans. AU-15, 1967": r"Welch 1967|P\. D\. Welch|WELCH\b",
    "J. S. Bendat, A. G. Piersol, Random Data, 2010": r"Bendat|BENDAT",
    "D. C. Rife, R. R. Boorstyn, IEEE Trans. IT-20, 1974": r"Rife|RIFE",
    "S. M. Kay, Estimation Theory, 1993": r"\bKay\b|\bKAY\b",
    "T. Grandke, IEEE Trans. IM-32, 1983": r"Grandke|GRANDKE",
    "E. Jacobsen, P. Kootsookos, IEEE Signal Process. Mag. 24, 2007": r"Jacobsen|JACOBSEN",
    "C. Candan, IEEE Signal Process. Lett. 18 and 20, 2011, 2013": r"Candan|CANDAN",
    "K. R. Fyfe, E. D. S. Munck, Mech. Syst. Signal Process. 11, 1997": r"Fyfe|FYFE",
    "ISO 2631-1:1997": r"ISO 2631-1|6\.3\.3",
    "ISO 8041-1:2017": r"ISO 8041",
    "L. Zuo, S. A. Nayfeh, J. Sound Vib. 265, 2003": r"Zuo",
    "ISO 80000-3 / CGPM 1901": r"CGPM|ISO 80000",
    "ISO 8855:2011": r"ISO 8855",
    "IEC 61672-1": r"IEC 61672",
    "IEC 61260-1:2014": r"IEC 61260",
    "ISO 1683:2015": r"ISO 1683",
    "Harris' Shock and Vibration Handbook": r"Shock and Vibration Handbook|Harris' Handbook",
    "K. Ogata, System Dynamics, 2004": r"Ogata",
    "handbook rule and worked example of static deflection": r"handbook rule|worked example",
    "NIST/SEMATECH e-Handbook": r"e-Handbook|AUTO83B",
    "NIST StRD, SiRstv": r"SiRstv|StRD",
    "E. C. Fieller, J. R. Stat. Soc. B 16, 1954": r"Fieller",
    "D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15, 1987": r"Schuirmann",
    "D. Lakens, Soc. Psychol. Personal. Sci. 8, 2017": r"Lakens|lakens|two one-sided",
    "G. A. Colditz et al., JAMA 271, 1994": r"Colditz|BCG|bcg",
    "H. C. van Houwelingen et al., Stat. Med. 21, 2002": r"Houwelingen",
    "W. Viechtbauer, J. Stat. Softw. 36(3), 2010": r"Viechtbauer",
    "R. DerSimonian, N. Laird, Control. Clin. Trials 7, 1986": r"DerSimonian",
    "M. Borenstein et al., Introduction to Meta-Analysis, 2009": r"Borenstein|borenstein",
    "R. N. Kacker, Metrologia 41, 2004": r"Kacker|kacker",
    "ISO 5725-2:2019": r"ISO 5725",
    "ASTM E691": r"E691|e691",
    "JCGM 100:2008": r"JCGM|GUM|gum_h1",
    "J. Cohen, power tables (recomputed)": r"power|Cohen",
    "J. F. Kaiser, 1974": r"Kaiser",
    "N. R. Lomb 1976, J. D. Scargle 1982": r"Lomb|Scargle|LOMB",
    "universal file dataset 58, University of Cincinnati, 1993": r"[Uu]niversal|dataset 58",
    "WCAG 2.2 contrast": r"WCAG|contrast",
    "published with the capture (PROVENANCE.md)": r"PROVENANCE",
}  # fmt: skip
"""Named sources, and how a test names them."""


def named_in(text: str) -> tuple[list[str], list[str]]:
    """Published sources and libraries that a test's own text names."""
    sources = [name for name, pattern in SOURCES.items() if re.search(pattern, text)]
    libraries = [name for name, pattern in LIBRARIES.items() if re.search(pattern, text)]
    return sources, libraries


def written(path: Path, checks: list[tuple[object, list]]) -> None:
    """Put the table between its marks in the README."""
    text = path.read_text(encoding="utf-8")
    head, _, rest = text.partition(BEGIN)
    tail = rest.partition(END)[2]
    path.write_text(f"{head}{BEGIN}\n{table_of(checks)}\n{END}{tail}", encoding="utf-8")


def table_of(checks: list[tuple[object, list]]) -> str:
    """Counts first, then a row a test function."""
    by_function: dict[str, list] = defaultdict(list)
    for item, records in checks:
        by_function[f"{Path(item.location[0]).as_posix()}::{item.originalname}"].append((item, records))
    rows, sources, libraries, n_checks = [], set(), set(), 0
    for name in sorted(by_function):
        row, named, used, n = _row(name, by_function[name])
        rows.append(row)
        sources |= set(named)
        libraries |= set(used)
        n_checks += n
    counts = (
        f"{n_checks} checks in {len(rows)} tests, against {len(sources)} named sources and {len(libraries)} "
        f"general-purpose libraries ({', '.join(sorted(libraries))}).\n"
    )
    listed = "\n".join(f"- {source}" for source in sorted(sources))
    head = "| test | checks | quantity | source | tolerance and what was found |\n|---|---|---|---|---|"
    return "\n".join([counts, "Sources:\n", listed, "", head, *rows])


def _row(name: str, items: list) -> tuple[str, list[str], list[str], int]:
    function = items[0][0].function
    module = inspect.getmodule(function)
    text = inspect.getsource(function)
    published = [record for _, records in items for record in records if isinstance(record, dict)]
    said = " ".join([text, *(record["source"] for record in published)])
    sources, libraries = named_in(said)
    if not sources and not libraries:
        sources, libraries = named_in(f"{module.__doc__ or ''} {_module_comments(module)}")
    n = max(len(published), len(items))
    quantity = (inspect.getdoc(function) or function.__name__.removeprefix("test_").replace("_", " ")).split("\n")[0]
    file, test = name.split("::")
    where = f"`{file.removeprefix('tests/')}` {test.removeprefix('test_').replace('_', ' ')}"
    cells = (where, str(n), quantity, "; ".join([*sources, *libraries]) or "closed form", _found(published, items))
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |", sources, libraries, n


def _found(published: list[dict], items: list) -> str:
    if published:
        tolerances = sorted({record["tolerance"] for record in published})
        worst = max(record["apart"] for record in published)
        return f"within {', '.join(tolerances[:3])}; furthest apart {worst:.2g}"
    asserted = [record for _, records in items for record in records if isinstance(record, str)]
    return f"`{asserted[-1][:90].strip()}`" if asserted else "holds"


def _module_comments(module: object) -> str:
    lines = inspect.getsource(module).splitlines()
    return " ".join(line for line in lines if line.lstrip().startswith("#"))
