"""What the demo's filters and beam splitters are, by hand from the printed numbers.

Limits and sizes of errors are those of the demo's own files; nothing of the archive computes here.
"""

import csv
import tomllib
from datetime import date
from typing import Any

import numpy as np
import pytest
from speclake_demo import generate, turntable
from speclake_demo.people import CONCEDED, COUNTED
from speclake_demo.scans import Scan

TEXTS = generate.archive_files()
BUDGET = {line["name"]: line for line in tomllib.loads(TEXTS["budgets/bench-E.toml"])["lines"]}


def scans(product: str) -> list[Scan]:
    found = [s for d in generate.exports() for s in d.scans if s.fields.get("product") == product]
    assert found
    return found


def revision(letter: str) -> dict[str, Any]:
    return tomllib.loads(TEXTS[f"specs/edge-filter-{letter}.toml"])


def of(specification: dict[str, Any], requirement: str) -> dict[str, Any]:
    (found,) = [each for each in specification["requirement"] if each["id"] == requirement]
    return dict(found)


def mean(scan: Scan, low: float, high: float) -> float:
    band = (scan.wavelength_nm >= low) & (scan.wavelength_nm <= high)
    return float(np.trapezoid(scan.values[band], scan.wavelength_nm[band]) / (high - low))


def first_rise_nm(scan: Scan, level: float, low: float, high: float) -> float:
    """Where the straight line between two points first rises through a level."""
    band = (scan.wavelength_nm >= low) & (scan.wavelength_nm <= high)
    at, values = scan.wavelength_nm[band], scan.values[band]
    i = int(np.flatnonzero((values[:-1] < level) & (values[1:] >= level))[0])
    return float(at[i] + (level - values[i]) / (values[i + 1] - values[i]) * (at[i + 1] - at[i]))


def uncertainty_of_passband(value: float) -> float:
    """Standard uncertainty of the mean: what is one error over all points; noise averages out."""
    certificate, baseline = BUDGET["certificate of the neutral filters"], BUDGET["baseline"]
    of_value = baseline["u"] * value / 100
    return float(np.hypot(certificate["expanded"] / certificate["k"], of_value))


@pytest.fixture(scope="module")
def filters() -> list[Scan]:
    return [s for s in scans(turntable.FILTER) if s.fields["kind"] == "part"]


def test_each_coating_run_has_a_witness_piece_and_two_filters() -> None:
    pieces: dict[str, list[str]] = {}
    for scan in scans(turntable.FILTER):
        is_witness = scan.fields["kind"] == "witness piece"
        assert (scan.fields["accessory"] == turntable.DARK_TUBE) == is_witness
        name = scan.fields.get("serial") or scan.fields["sample"]
        pieces.setdefault(scan.fields["coating_run"], []).append(name)
    assert {run: len(set(names)) for run, names in pieces.items()} == {
        f"run E{number}": 3 for number in (1, 2, 3, 4)
    }


def test_revisions_share_no_day_and_each_has_two_coating_runs() -> None:
    old, new = revision("A"), revision("B")
    assert old["name"] == new["name"] == turntable.FILTER
    assert (new["effective_from"] - old["effective_until"]).days == 1
    days: dict[str, date] = {s.fields["lot"]: s.scanned.date() for s in scans(turntable.FILTER)}
    by_old = {lot for lot, day in days.items() if day <= old["effective_until"]}
    assert by_old == {"EF1", "EF2"}
    assert min(days.values()) >= old["effective_from"]


def test_blocking_of_the_witness_pieces_lies_below_the_floor_of_the_bench() -> None:
    lines = TEXTS["floors/bench-E.csv"].splitlines()
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    floor = {float(at): float(size) for at, size in rows[1:]}
    witnesses = [s for s in scans(turntable.FILTER) if s.fields["kind"] == "witness piece"]
    assert len(witnesses) == 4
    low, high = of(revision("B"), "blocking")["band"]
    assert floor[400] == floor[600]
    for scan in witnesses:
        band = (scan.wavelength_nm >= low) & (scan.wavelength_nm <= high)
        assert scan.values[band].max() / 100 < floor[400]
    assert -np.log10(floor[400]) > of(revision("B"), "blocking")["at_least"]


def test_one_edge_is_too_far_to_the_red_and_all_others_are_well_inside(
    filters: list[Scan],
) -> None:
    wanted = of(revision("B"), "cut-on")
    low, high = wanted["band"]
    expanded = 2 * BUDGET["wavelength scale"]["u"]
    beyond = set()
    for scan in filters:
        off = abs(first_rise_nm(scan, wanted["level"], low, high) - wanted["target"])
        assert abs(off - wanted["tolerance"]) > 2 * expanded
        if off > wanted["tolerance"]:
            beyond.add(scan.fields["serial"])
    assert beyond == {turntable.LATE_EDGE_FILTER} == {CONCEDED.serial}


def test_one_filter_is_inside_its_limit_but_not_by_the_guard_band(filters: list[Scan]) -> None:
    wanted = of(revision("B"), "passband")
    inside, guarded = set(), set()
    for scan in filters:
        if scan.fields["lot"] in ("EF3", "EF4"):
            value = mean(scan, *wanted["band"])
            guard = wanted["guard_times"] * uncertainty_of_passband(value)
            assert value > wanted["at_least"]
            assert abs(value - wanted["at_least"] - guard) > 0.02
            (guarded if value < wanted["at_least"] + guard else inside).add(scan.fields["serial"])
    assert guarded == {turntable.DULL_FILTER}
    assert len(inside) == 3


def test_a_fingerprint_fails_and_the_cleaned_filter_passes(filters: list[Scan]) -> None:
    wanted = of(revision("A"), "passband")
    found = [s for s in filters if s.fields["serial"] == turntable.CLEANED_FILTER]
    first, again = (mean(s, *wanted["band"]) for s in sorted(found, key=lambda s: s.scanned))
    assert first < wanted["at_least"] - 0.5
    assert again > wanted["at_least"] + 0.2
    assert COUNTED.serial == turntable.CLEANED_FILTER


def test_light_is_halved_only_over_both_polarisations_and_one_coating_absorbs() -> None:
    specification = tomllib.loads(TEXTS["specs/beam-splitter.toml"])
    split, loss = of(specification, "split"), of(specification, "loss")
    found: dict[str, dict[tuple[str, str], float]] = {}
    for scan in scans(turntable.SPLITTER):
        key = (scan.unit, scan.fields["polarisation"])
        found.setdefault(scan.fields["serial"], {})[key] = mean(scan, *split["band"])
    assert split["band"] == loss["band"]
    absorbing = set()
    for serial, of_part in found.items():
        s, p, through = of_part["%R", "s"], of_part["%R", "p"], of_part["%T", "s"]
        assert min(abs(s - 50), abs(p - 50)) > 10 * split["tolerance"]
        assert abs((s + p) / 2 - 50) < split["tolerance"] - split["uncertainty"][0]["expanded"]
        if 100 - through - s > loss["at_most"] + loss["uncertainty"][0]["expanded"]:
            absorbing.add(serial)
        else:
            assert 100 - through - s < loss["at_most"] - loss["uncertainty"][0]["expanded"]
    assert len(found) == 3
    assert absorbing == {turntable.ABSORBING_SPLITTER}


def test_summary_names_them() -> None:
    summary = generate.summary()
    late, dull = turntable.LATE_EDGE_FILTER, turntable.DULL_FILTER
    assert summary.failing[turntable.FILTER] == tuple(sorted((late, dull)))
    assert summary.failing[turntable.SPLITTER] == (turntable.ABSORBING_SPLITTER,)
    assert (summary.conceded, summary.counted_alone) == ((late,), (turntable.CLEANED_FILTER,))
