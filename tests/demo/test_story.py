"""The story that the demo tells: who fails, what drifts, and when a chart would have shown it.

Values and decisions are worked out here by hand from the printed numbers, without the archive's
own arithmetic; only the limits are those of the specification files. Filters and splitters stand in
test_turntable.py.
"""

import tomllib
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

import numpy as np
import pytest
from speclake_demo import generate, regular
from speclake_demo.scans import Drop, Scan
from speclake_demo.turntable import FILTER, SPLITTER

from speclake.specs.model import Specification

REGULAR = ("ordinary", "growing", "exported again")


@pytest.fixture(scope="module")
def scans() -> list[Scan]:
    """Scans of parts in the ordinary work, each once."""
    final: dict[str, Drop] = {d.path: d for d in generate.exports() if d.case in REGULAR}
    return [s for d in final.values() for s in d.scans if s.fields["kind"] == "part"]


@pytest.fixture(scope="module")
def specifications() -> dict[str, dict[str, Any]]:
    texts = generate.archive_files()
    read = [
        tomllib.loads(text, parse_float=Decimal)
        for path, text in texts.items()
        if path.startswith("specs/")
    ]
    return {each["name"]: each for each in read if each["name"] not in (FILTER, SPLITTER)}


def value_of(scan: Scan, requirement: dict[str, Any]) -> float:
    """Value that a requirement asks for, in percent, with a mean by trapezoids."""
    values = scan.values * (100 if scan.unit == "T" else 1)
    if requirement["what"] == "value":
        return float(np.interp(requirement["at"], scan.wavelength_nm, values))
    low, high = requirement["band"]
    band = (scan.wavelength_nm >= low) & (scan.wavelength_nm <= high)
    assert scan.wavelength_nm[band][0] == low
    assert scan.wavelength_nm[band][-1] == high
    if requirement["what"] == "mean":
        return float(np.trapezoid(values[band], scan.wavelength_nm[band]) / (high - low))
    return float(values[band].min() if requirement["what"] == "minimum" else values[band].max())


def margin_of(scan: Scan, requirement: dict[str, Any]) -> float:
    """Distance to the nearest limit, negative outside."""
    value = Decimal(repr(value_of(scan, requirement)))
    limits = [requirement[key] for key in ("at_least", "at_most") if key in requirement]
    if requirement.get("decision") == "rounded":
        value = value.quantize(limits[0], rounding=ROUND_HALF_EVEN)
    margins = [
        sign * (value - Decimal(requirement[key]))
        for key, sign in (("at_least", 1), ("at_most", -1))
        if key in requirement
    ]
    return float(min(margins))


def uncertainty_of(requirement: dict[str, Any]) -> float:
    """Expanded uncertainty of a mean over a band, the spectrum taken as flat; 0 without a budget.

    Errors that are alike over a length L leave of a band of width W the share
    2 L/W (1 - L/W (1 - exp(-W/L))) of their variance. The factor is t for 39 degrees of freedom.
    Where the specification states one line alone, that is the uncertainty.
    """
    if "uncertainty" not in requirement:
        return 0.0
    if isinstance(requirement["uncertainty"], list):
        (line,) = requirement["uncertainty"]
        return float(line["expanded"])
    name = requirement["uncertainty"]["budget"]
    lines = tomllib.loads(generate.archive_files()[f"budgets/{name}.toml"])["lines"]
    width = float(requirement["band"][1] - requirement["band"][0])
    variance = 0.0
    for line in lines:
        share = 1.0 if line["correlation"] == "full" else 1 / width
        if line["correlation"] == "exponential":
            part = line["correlation_length_nm"] / width
            share = 2 * part * (1 - part * (1 - np.exp(-1 / part)))
        standard = line["u"] if "u" in line else line["expanded"] / line["k"]
        variance += share * standard**2 if line["unit"] == "%T" else 0.0
    return 2.023 * float(np.sqrt(variance))


def parts_beyond(
    scans: list[Scan], specification: dict[str, Any]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Serials that fail, and those that are undecided and do not fail."""
    failing, undecided = set(), set()
    for scan in scans:
        if scan.fields["product"] not in specification["products"]:
            continue
        for requirement in specification["requirement"]:
            if requirement.get("segment") not in (None, scan.fields.get("segment")):
                continue
            margin = margin_of(scan, requirement)
            if abs(margin) < uncertainty_of(requirement):
                undecided.add(scan.fields["serial"])
            elif margin < 0:
                failing.add(scan.fields["serial"])
    return tuple(sorted(failing)), tuple(sorted(undecided - failing))


def test_specifications_are_what_the_archive_understands() -> None:
    for path, text in generate.archive_files().items():
        if path.startswith("specs/"):
            assert Specification.from_toml_text(text, path).requirements


def test_the_uncertainty_of_the_mean_is_a_few_hundredths(
    specifications: dict[str, dict[str, Any]],
) -> None:
    requirement = specifications["camera window"]["requirement"][0]
    assert uncertainty_of(requirement) == pytest.approx(0.029, abs=0.0005)


def test_parts_fail_that_the_summary_names(
    scans: list[Scan], specifications: dict[str, dict[str, Any]]
) -> None:
    summary = generate.summary()
    assert set(specifications) == set(summary.failing) - {FILTER, SPLITTER}
    for name, specification in specifications.items():
        failing, undecided = parts_beyond(scans, specification)
        assert failing == summary.failing[name]
        assert undecided == summary.undecided.get(name, ())


def test_no_verdict_hangs_on_the_last_digits(
    scans: list[Scan], specifications: dict[str, dict[str, Any]]
) -> None:
    """All lie further than 0.002 from a limit, and from where its uncertainty begins."""
    for specification in specifications.values():
        for requirement in specification["requirement"]:
            for scan in scans:
                if scan.fields["product"] in specification["products"] and requirement.get(
                    "segment"
                ) in (None, scan.fields.get("segment")):
                    margin = abs(margin_of(scan, requirement))
                    assert margin > 0.002
                    assert abs(margin - uncertainty_of(requirement)) > 0.002


def test_thick_corners_fail_and_the_middle_passes(
    scans: list[Scan], specifications: dict[str, dict[str, Any]]
) -> None:
    requirement = next(
        r for r in specifications["cover panel"]["requirement"] if r["id"] == "highest"
    )
    found = {
        s.fields["site"]: margin_of(s, requirement) >= 0
        for s in scans
        if s.fields.get("serial") == regular.THICK_CORNERS_PANEL
    }
    assert {site for site, passes in found.items() if not passes} == {"1", "3", "7", "9"}


def test_thin_edge_fails_and_the_centre_passes(
    scans: list[Scan], specifications: dict[str, dict[str, Any]]
) -> None:
    requirement = next(
        r for r in specifications["deep-UV wafer"]["requirement"] if r["id"] == "deep-UV mean"
    )
    found = {
        s.fields["site"]: margin_of(s, requirement) >= 0
        for s in scans
        if s.fields.get("serial") == regular.THIN_EDGE_WAFER and s.fields["segment"] == "deep UV"
    }
    assert {int(site) for site, passes in found.items() if not passes} == set(range(6, 14))


def run_means(scans: list[Scan], requirement: dict[str, Any]) -> dict[str, float]:
    """Mean of the two windows of each coating run, in the order of the runs."""
    means: dict[str, list[float]] = {}
    for scan in scans:
        if scan.fields["product"] == regular.WINDOW:
            run = scan.fields["coating_run"]
            means.setdefault(run, []).append(value_of(scan, requirement))
    assert all(len(found) == 2 for found in means.values())
    return {run: float(np.mean(means[run])) for run in sorted(means)}


def low_control_limit(values: np.ndarray) -> float:
    """Lower limit of an individuals chart, mean - 3 × (mean moving range) / 1.128.

    Source: ISO 7870-2, individuals chart with moving ranges of two (d2 = 1.128).
    """
    return float(values.mean() - 3 * np.abs(np.diff(values)).mean() / 1.128)


def test_chart_shows_the_drift_long_before_the_spec_limit_is_crossed(
    scans: list[Scan], specifications: dict[str, dict[str, Any]]
) -> None:
    summary = generate.summary()
    requirement = specifications["camera window"]["requirement"][0]
    means = run_means(scans, requirement)
    runs, values = list(means), np.array(list(means.values()))
    assert len(runs) == regular.RUNS == 30
    base = values[: regular.DRIFT_STARTS_AFTER_RUNS]
    control_limit, spec_limit = low_control_limit(base), float(requirement["at_least"])
    beyond = [run for run, value in means.items() if value < control_limit]
    assert beyond == runs[runs.index(summary.first_run_beyond_control_limit) :]
    crossed = [run for run, value in means.items() if value < spec_limit]
    assert crossed == runs[runs.index(summary.first_run_beyond_spec_limit) :]
    assert runs.index(crossed[0]) - runs.index(beyond[0]) >= 10


def test_no_run_before_the_drift_is_beyond_either_control_limit(
    scans: list[Scan], specifications: dict[str, dict[str, Any]]
) -> None:
    means = run_means(scans, specifications["camera window"]["requirement"][0])
    base = np.array(list(means.values()))[: regular.DRIFT_STARTS_AFTER_RUNS]
    reach = base.mean() - low_control_limit(base)
    assert np.abs(base - base.mean()).max() < reach
