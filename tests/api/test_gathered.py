"""Haze and series over the angle in an archive: from readings that come one by one to a verdict."""

from pathlib import Path

import numpy as np
import pytest

from speclake.api import Archive
from tests import labs

FORMAT = (
    labs.FORMAT.partition("[constants]")[0]
    + """
kind = "Kind"
site = "Site"
instrument = "Instrument"
accessory = "Accessory"
port = "Port"
angle_deg = "Angle"
polarisation = "Polarisation"
bandwidth_nm = "Bandwidth"
measured_against = "Against"
"""
)
SPECS = {
    "visor": """
name = "visor"
products = ["visor"]
[[requirement]]
id = "haze"
what = "haze"
of = "%T"
unit = "%"
edition = "2021"
illuminant = "C"
largest_interval = 10
largest_age_h = 8
at_most = 6.0
""",
    "filter": """
name = "filter"
products = ["filter"]
[[requirement]]
id = "shift"
what = "shift over angles"
shift = "lowest"
number = "cut-off"
angles_deg = [0, 20, 40]
polarisation = "s"
of = "%T"
unit = "nm"
band = [480, 620]
level = 45
relative_to = "nothing"
largest_interval = 1
largest_bandwidth_nm = 2
at_least = -45.0
[[requirement]]
id = "index"
what = "effective index"
number = "cut-off"
angles_deg = [0, 20, 40]
largest_misfit = 0.01
polarisation = "s"
of = "%T"
unit = "units"
band = [480, 620]
level = 45
relative_to = "nothing"
largest_interval = 1
largest_bandwidth_nm = 2
at_least = 1.75
at_most = 1.85
""",
}
READINGS = {"T1": (100.0, "blank"), "T2": (90.0, "part"), "T3": (1.0, "blank"), "T4": (6.0, "part")}
HAZE = 100 * (6 / 90 - 1 / 100)


class Lab:
    """An archive, and a bench that writes the files it takes in."""

    def __init__(self, archive: Archive, bench: Path) -> None:
        self.archive, self.bench = archive, bench
        self.ids: dict[str, str] = {}

    def take(self, *names: str, **changed: str) -> None:
        """Take in readings of haze, or scans of the filter by their angle, in one batch.

        `changed` changes the header of the last.
        """
        files = [self._file(name, changed if name == names[-1] else {}) for name in names]
        self.archive.ingest(files)
        rows = self.archive.find(limit=None, withdrawn="show")
        for row in rows.select("measurement_id", "file").to_dicts():
            self.ids[Path(row["file"]).stem] = row["measurement_id"]

    def verdicts(self, requirement: str) -> list[dict[str, object]]:
        """Current verdicts by a requirement, by the names of the files they are on."""
        rows = self.archive.verdicts(list(self.ids.values())).to_dicts()
        names = {measurement_id: name for name, measurement_id in self.ids.items()}
        return [
            row | {"on": names[row["measurement_id"]],
                   "beside": sorted(names[each] for each in row["drawn_from"])}
            for row in rows if row["requirement"] == requirement
        ]  # fmt: skip

    def only(self, requirement: str) -> dict[str, object]:
        """The one current verdict by a requirement."""
        (found,) = self.verdicts(requirement)
        return found

    def _file(self, name: str, changed: dict[str, str]) -> Path:
        file = self.bench / f"{name}.txt"
        header, grid, values = _reading(name) if name.startswith("T") else _at_angle(name)
        points = "".join(f"{at:g}\t{each:.9f}\n" for at, each in zip(grid, values, strict=True))
        entries = "".join(f"{key}: {text}\n" for key, text in (header | changed).items())
        file.write_text(f"{entries}nm\t%T\n{points}", "utf-8")
        return file


def _reading(name):
    value, kind = READINGS[name[:2]]
    header = {
        "Kind": kind, "Scanned": "2026-05-04 10:00:00", "Instrument": "one", "Accessory": "sphere",
        "Port": "white standard" if name[:2] in ("T1", "T2") else "light trap",
    }  # fmt: skip
    if kind == "part":
        header |= {"Sample": "V1", "Lot": "L1", "Product": "visor"}
    else:
        header["Scanned"] = "2026-05-04 08:00:00"
    grid = np.arange(380.0, 781.0, 5.0)
    # no two scans of an instrument agree in every digit
    return header, grid, np.full(grid.size, value + 1e-6 * len(name[2:]))


def _at_angle(name):
    angle = float(name)
    edge = 600.0 * np.sqrt(1 - (np.sin(np.deg2rad(angle)) / 1.8) ** 2)
    grid = np.arange(470.0, 640.0)
    header = {
        "Kind": "part", "Scanned": "2026-05-04 10:00:00", "Instrument": "one", "Sample": "F1",
        "Lot": "L2", "Product": "filter", "Angle": name, "Polarisation": "s", "Bandwidth": "1",
    }  # fmt: skip
    return header, grid, np.interp(grid, [edge - 5, edge + 5], [90.0, 0.0])


def opened(folder):
    """An archive with its format and specifications, and its bench, in a folder."""
    root, bench = folder / "lab", folder / "bench"
    bench.mkdir()
    Archive.create(root).close()
    (root / "formats/plain.toml").write_text(FORMAT, "utf-8")
    for name, text in SPECS.items():
        (root / f"specs/{name}.toml").write_text(text, "utf-8")
    return Archive.open(root), bench


@pytest.fixture
def lab(tmp_path):
    archive, bench = opened(tmp_path)
    with archive:
        yield Lab(archive, bench)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A lab that took in all readings and all angles at once."""
    archive, bench = opened(tmp_path_factory.mktemp("whole"))
    with archive:
        found = Lab(archive, bench)
        found.take("T4", "T3", "T2", "T1", "40", "0", "20")
        yield found


def test_four_readings_of_one_batch_make_one_verdict_on_the_scattered_light(whole):
    found = whole.only("haze")
    assert (found["on"], found["beside"]) == ("T4", ["T1", "T2", "T3"])
    assert (found["outcome"], found["unit"]) == ("pass", "%")
    assert found["value"] == pytest.approx(HAZE, rel=1e-9)


def test_readings_that_come_one_by_one_are_named_until_the_last_is_there(lab):
    said = []
    for name in ("T4", "T1", "T2", "T3"):
        lab.take(name)
        said.append(lab.only("haze"))
    assert [each["outcome"] for each in said] == ["not measurable"] * 3 + ["pass"]
    assert said[0]["reason"].startswith("no T1 scan (no specimen, white standard) on one")
    assert said[1]["reason"].startswith("no T2 scan (specimen, white standard) of")
    assert said[2]["reason"].startswith("no T3 scan (no specimen, light trap) on one")
    assert said[3]["value"] == pytest.approx(HAZE, rel=1e-9)


def test_a_blank_that_is_too_old_or_of_another_accessory_does_not_count(lab):
    lab.take("T4", "T2", "T1", "T3 yesterday", Scanned="2026-05-03 08:00:00")
    lab.take("T3 bare", Accessory="other sphere")
    found = lab.only("haze")
    assert found["outcome"] == "not measurable"
    assert "on one in the 8 h before it yet" in found["reason"]
    lab.take("T3 in time", Scanned="2026-05-04 02:00:00")
    assert lab.only("haze")["outcome"] == "pass"
    assert "T3 in time" in lab.only("haze")["beside"]


def test_the_blank_that_a_scan_names_goes_before_the_latest(lab):
    lab.take("T3", "T2", "T1", "T3 named", Scanned="2026-05-02 08:00:00")
    lab.take("T4", Against="T3 named")
    assert lab.only("haze")["beside"] == ["T1", "T2", "T3 named"]
    lab.archive.withdraw([lab.ids["T3 named"]], who="op 1", why="the trap was open")
    assert lab.only("haze")["beside"] == ["T1", "T2", "T3"]


def test_a_named_blank_that_comes_after_the_scan_is_taken_then(lab):
    lab.take("T3", "T2", "T1", "T4", Against="T3 named")
    assert lab.only("haze")["beside"] == ["T1", "T2", "T3"]
    lab.take("T3 named", Scanned="2026-05-02 08:00:00")
    assert lab.only("haze")["beside"] == ["T1", "T2", "T3 named"]


def test_of_two_blanks_the_latest_before_the_scan_counts(lab):
    lab.take("T4", "T3", "T2", "T1")
    lab.take("T3 later", Scanned="2026-05-04 09:00:00")
    assert lab.only("haze")["beside"] == ["T1", "T2", "T3 later"]
    lab.take("T3 after", Scanned="2026-05-04 10:30:00")
    assert lab.only("haze")["beside"] == ["T1", "T2", "T3 later"]


def test_a_part_passes_with_its_haze_and_with_its_series(whole):
    for lot in ("L1", "L2"):
        (report,) = whole.archive.part_verdicts(lot=lot)
        (each,) = report.specs
        assert (each.verdict.outcome, each.verdict.missing) == ("pass", ())


def test_a_reading_that_is_withdrawn_takes_the_haze_with_it(lab):
    lab.take("T4", "T3", "T2", "T1")
    for name in ("T2", "T1"):
        lab.archive.withdraw([lab.ids[name]], who="op 1", why="the lamp flickered")
        found = lab.only("haze")
        assert found["outcome"] == "not measurable"
        assert found["reason"].startswith(f"no {name} scan")
        lab.archive.reinstate([lab.ids[name]], who="op 1", why="it did not")
        assert lab.only("haze")["outcome"] == "pass"


def test_a_series_is_one_verdict_on_the_smallest_angle(whole):
    edge = 600.0 * np.sqrt(1 - (np.sin(np.deg2rad(40)) / 1.8) ** 2)
    shift, index = whole.only("shift"), whole.only("index")
    assert (shift["on"], shift["beside"]) == ("0", ["20", "40"])
    assert (shift["outcome"], index["outcome"]) == ("pass", "pass")
    assert shift["value"] == pytest.approx(edge - 600.0, abs=1e-6)
    assert index["value"] == pytest.approx(1.8, rel=1e-6)


def test_a_missing_angle_is_named_until_it_comes(lab):
    lab.take("0", "20")
    found = lab.only("shift")
    assert found["outcome"] == "not measurable"
    assert found["reason"].startswith("no scan at 40° of this part yet")
    lab.take("39.9", Polarisation="p")
    found = lab.only("shift")
    assert found["outcome"] == "not measurable"
    assert "its polarisation is p, not s" in found["reason"]
    lab.take("40")
    assert lab.only("shift")["outcome"] == "pass"


def test_a_repeat_at_an_angle_is_nobodys_choice_of_ours(lab):
    lab.take("0", "20", "40", "40.1", Scanned="2026-05-04 11:00:00")
    found = lab.only("shift")
    assert found["outcome"] == "not measurable"
    assert found["reason"].startswith("this part has 2 scans that may be its scan at 40°")


def test_judging_again_gives_the_same_and_asks_for_nothing_new(whole):
    before = {name: whole.only(name) for name in ("haze", "shift", "index")}
    whole.archive.judge(list(whole.ids.values()), who="op 1", why="once more")
    for name, each in before.items():
        again = whole.only(name)
        assert {key: again[key] for key in ("value", "outcome", "drawn_from", "reason")} == {
            key: each[key] for key in ("value", "outcome", "drawn_from", "reason")
        }
