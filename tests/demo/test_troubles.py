"""What befalls the benches stands in the printed numbers where the README says, nowhere else.

Band origins of oxygen: computed from the constants of Huber and Herzberg (1979), in vacuum. Means
and differences are taken here by hand.
"""

import tomllib
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from speclake_demo import fitwork, generate, glasses, regular, troubles, turntable
from speclake_demo.clock import at, wall
from speclake_demo.people import REPORT, WORK
from speclake_demo.scans import Scan

TEXTS = generate.archive_files()
CERTIFICATES = {
    tomllib.loads(text)["name"]: tomllib.loads(text)
    for path, text in TEXTS.items()
    if path.startswith("standards/")
}
PROGRAMMES = [
    tomllib.loads(text) for path, text in TEXTS.items() if path.startswith("qualification/")
]


@pytest.fixture(scope="module")
def scans() -> list[Scan]:
    final = {d.path: d for d in generate.exports()}
    return [s for d in final.values() for s in d.scans]


def of(scans: list[Scan], **fields: str) -> list[Scan]:
    found = [s for s in scans if fields.items() <= s.fields.items()]
    assert found
    return sorted(found, key=lambda s: s.scanned)


def step_at_860(scan: Scan) -> float:
    """Difference of the means over 50 nm to both sides, in percent of the light."""
    nm, values = scan.wavelength_nm, scan.values
    above = values[(nm >= 860) & (nm < 910)].mean()
    return float(100 * (above / values[(nm >= 810) & (nm < 860)].mean() - 1))


def test_the_blank_of_the_seventh_monday_has_a_step_and_no_other(scans: list[Scan]) -> None:
    blanks = of(scans, kind="blank", instrument="bench A")
    steps = {(wall(s.scanned).date() - date(2026, 3, 2)).days // 7: step_at_860(s) for s in blanks}
    assert steps.pop(6) == pytest.approx(troubles.STEP_PERCENT, abs=0.02)
    assert len(steps) == 9
    assert max(abs(step) for step in steps.values()) < 0.02


def test_parts_of_that_week_have_the_same_step(scans: list[Scan]) -> None:
    """What the coating does around 860 nm is the same in the runs before and after that week."""
    steps: dict[bool, list[float]] = {True: [], False: []}
    for scan in of(scans, product=regular.WINDOW, kind="part"):
        if at(5, 0, 0) <= scan.scanned < at(8, 0, 0):
            steps[at(6, 0, 0) <= scan.scanned < at(7, 0, 0)].append(step_at_860(scan))
    assert (len(steps[True]), len(steps[False])) == (6, 12)
    more = np.mean(steps[True]) - np.mean(steps[False])
    assert more == pytest.approx(troubles.STEP_PERCENT, abs=0.03)


def test_oxygen_rises_while_the_bottle_runs_dry_and_goes_when_it_is_changed(
    scans: list[Scan],
) -> None:
    """Depth between the heads at 192.4 and 194.7 nm and what lies between them."""
    found = of(scans, serial="W2601-03", segment="deep UV")
    depth = []
    for scan in found:
        nm, values = scan.wavelength_nm, scan.values
        at_heads = values[np.isin(nm, [193, 195])].mean()
        depth.append(float(values[np.isin(nm, [194, 196])].mean() - at_heads))
    noise = 0.0006
    usual = np.median([depth[i] for i in (0, 1, 2, 3, 4, 11, 12)])
    assert [int(np.argmax(depth)) + 1] == [9]
    assert depth[8] - usual > 8 * noise
    assert max(abs(depth[i] - usual) for i in (0, 1, 2, 3, 4, 12)) < 4 * noise
    for scan in found:
        above_205 = scan.values[scan.wavelength_nm > 206]
        assert np.abs(np.diff(above_205)).max() < 0.003


def test_light_through_dark_filters_is_lost_in_the_noise_of_the_last_detector(
    scans: list[Scan],
) -> None:
    (wanted,) = tomllib.loads(TEXTS["specs/dark-filter.toml"])["requirement"]
    (line,) = wanted["uncertainty"]
    found = of(scans, product=fitwork.DARK_FILTER)
    assert len(found) == 4
    for scan in found:
        beyond = scan.values[scan.wavelength_nm > 900]
        noise = float(np.std(np.diff(beyond)) / np.sqrt(2))
        assert noise > line["expanded"] / line["k"]
        assert float(beyond.mean()) < wanted["at_most"] / 2


def band_errors(scan: Scan) -> np.ndarray:
    """Centroid of what a band takes away, less the certified place, for each band of a glass."""
    certificate = CERTIFICATES[scan.fields["sample"]]
    errors = []
    for band in certificate["band"]:
        near = np.abs(scan.wavelength_nm - band["position_nm"]) <= 12
        lost = glasses.CLEAR_PERCENT - scan.values[near]
        errors.append((lost * scan.wavelength_nm[near]).sum() / lost.sum() - band["position_nm"])
    return np.array(errors)


def test_certified_bands_are_found_but_once(scans: list[Scan]) -> None:
    for name, bench in ((glasses.HOLMIUM_GLASS, "bench A"), (glasses.RARE_EARTH_GLASS, "bench E")):
        found = of(scans, sample=name, instrument=bench)
        off = [s.scanned for s in found if np.abs(band_errors(s)).max() > 0.3]
        assert off == ([at(9, 0, 8)] if bench == "bench E" else [])
    jolted = of(scans, sample=glasses.RARE_EARTH_GLASS)[-2]
    assert band_errors(jolted).mean() == pytest.approx(troubles.JOLT_NM, abs=0.1)


def test_benches_that_are_compared_differ_by_a_share_of_the_light(scans: list[Scan]) -> None:
    for number, level in enumerate(glasses.COMPARISON_PERCENT, 1):
        a, e = (
            of(scans, sample=f"comparison piece {number}", instrument=f"bench {letter}")[0].values
            for letter in "AE"
        )
        expected = turntable.MORE_THAN_BENCH_A * level
        assert float(np.mean(e - a)) == pytest.approx(expected, abs=0.03 + 5e-4 * level)


def test_filters_of_one_run_lie_between_the_last_good_check_and_the_failed_one(
    scans: list[Scan],
) -> None:
    checks = [s.scanned for s in of(scans, sample=glasses.RARE_EARTH_GLASS)]
    good, failed = checks[-3], checks[-2]
    between = [s for s in of(scans, product=turntable.FILTER) if good < s.scanned < failed]
    assert {s.fields["lot"] for s in between} == {"EF4"}
    assert REPORT.lot == "EF4"


def test_certificate_of_the_grey_filter_ends_before_its_last_scan(scans: list[Scan]) -> None:
    until = CERTIFICATES[glasses.GREY_FILTER]["valid_until"]
    days = [s.scanned.date() for s in of(scans, sample=glasses.GREY_FILTER)]
    assert [day > until for day in days] == [False, False, True]
    certified = {v["at_nm"]: v["value"] for v in CERTIFICATES[glasses.GREY_FILTER]["value"]}
    assert certified == glasses.GREY_CERTIFIED_PERCENT


@pytest.mark.parametrize("programme", PROGRAMMES, ids=lambda programme: programme["name"])
def test_every_check_is_scanned_again_before_it_is_due(
    programme: dict[str, object], scans: list[Scan]
) -> None:
    checks = programme["check"]
    assert isinstance(checks, list)
    for check in checks:
        wanted = {"instrument": str(programme["instrument"])}
        wanted |= {key: check[key] for key in ("sample", "kind") if key in check}
        if "standard" in check:
            wanted["sample"] = check["standard"]
        times = [s.scanned for s in of(scans, **wanted)]
        if programme["instrument"] == "bench E":
            assert times[0] < at(3, 0, 12)
        longest = max(b - a for a, b in pairwise(times))
        assert longest <= timedelta(days=check["every_days"]), check["id"]


def test_the_lamp_grows_noisy_and_its_successor_is_calm(scans: list[Scan]) -> None:
    blanks = of(scans, kind="blank", instrument="bench A")
    noise = [float(np.std(s.values[s.wavelength_nm < 318])) for s in blanks]
    assert noise[3] > 1.1 * noise[0]
    assert noise[4] < 0.7 * noise[3]


def test_work_on_benches_is_told_when_it_was_done() -> None:
    told = {(each.instrument, each.what): each.when for each in WORK}
    assert told["bench A", "lamp change"] == troubles.LAMP_CHANGED
    assert told["bench A", "realignment"] == troubles.STEP_WHILE[1]
    assert told["bench E", "realignment"] == troubles.JOLT_WHILE[1]
