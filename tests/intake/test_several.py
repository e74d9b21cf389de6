"""One verdict from several measurements, from the files to the archive."""

import os
from pathlib import Path

import pytest

from speclake.api import Archive
from tests.intake.test_long_files import take
from tests.intake.test_readpool import tasks_of
from tests.labs import FORMAT

FIELDS = """
site = "Site"
side = "Side"
polarisation = "Polarisation"
angle_deg = "Angle"
segment = "Segment"
bandwidth_nm = "Bandwidth"
geometry = "Geometry"
kind = "Kind"
"""


def format_of(end, unit):
    """Format of exports of a quantity, told by the end of their names, with more in the header."""
    text = FORMAT.replace("*.txt", f"*.{end}").replace('unit = "%T"', f'unit = "{unit}"')
    return text.replace('[constants]\nkind = "part"\n', FIELDS)


S_AND_P = """
name = "mirror"
products = ["mirror"]
[[requirement]]
id = "average"
what = "mean"
unit = "%R"
band = [500, 510]
at_least = "90.0"
angle_deg = 45
[requirement.drawn_from]
how = "mean of s and p"
"""
REMAINDER = """
name = "mirror"
products = ["mirror"]
[[requirement]]
id = "loss"
what = "maximum"
unit = "%A+S"
band = [500, 510]
at_most = "0.5"
[requirement.drawn_from]
how = "100 - T - R"
may_be_unknown = ["side", "polarisation"]
"""
JOINED = """
name = "mirror"
products = ["mirror"]
[[requirement]]
id = "whole"
what = "minimum"
unit = "%R"
band = [495, 515]
at_least = "90.0"
[requirement.drawn_from]
how = "joined segments"
segments = ["short", "long"]
seams = [505]
largest_step = 0.3
"""


class Lab:
    """An archive with one specification, and exports that are taken in one by one."""

    def __init__(self, folder: Path, specification: str) -> None:
        root = folder / "archive"
        Archive.create(root, "lab").close()
        for end, unit in (("r", "%R"), ("t", "%T")):
            (root / f"formats/{end}.toml").write_text(format_of(end, unit), "utf-8")
        self.specs = root / "specs/mirror.toml"
        self.specs.write_text(specification, "utf-8")
        self.exports = folder / "exports"
        self.exports.mkdir()
        with (root / "speclake.toml").open("a", encoding="utf-8") as stream:
            stream.write(
                f'\n[[folder]]\nname = "bench"\npath = "{self.exports.as_posix()}"\n'
                'run_sheets = ["*.csv"]\n'
            )
        self.archive = Archive.open(root)

    def write(self, name, value, *, end="r", first=500, points=11, minute=0, **header):
        """Export of a flat spectrum; each name is scanned at a minute of its own."""
        entries = {
            "Sample": "A", "Lot": "L1", "Product": "mirror", "Kind": "part", "Site": "3",
            "Scanned": f"2026-05-04 10:{minute:02}:00",
        } | header  # fmt: skip
        lines = [f"{key}: {text}\n" for key, text in entries.items() if text is not None]
        lines += ["nm\t%\n", *(f"{first + i}\t{value}\n" for i in range(points))]
        file = self.exports / f"{name}.{end}"
        file.write_text("".join(lines), "utf-8")
        return file

    def take(self, *files, **how):
        assert self.archive.ingest(files, **how).counts["taken"] == len(files)

    def named(self, name):
        """Identifier of the measurement of an export."""
        found = self.archive.find(file=f"{name}.*", withdrawn="show", superseded="show")
        return found["measurement_id"].item()

    def verdict(self, name, requirement=None):
        found = self.archive.verdicts([self.named(name)]).to_dicts()
        rows = [each for each in found if requirement in (None, each["requirement"])]
        (row,) = rows
        return row

    def said(self, name):
        row = self.verdict(name)
        return row["outcome"], row["reason"]

    def commits(self):
        return self.archive.totals()["commits"]


@pytest.fixture
def lab(tmp_path):
    made = []

    def make(specification):
        made.append(Lab(tmp_path, specification))
        return made[-1]

    yield make
    for each in made:
        each.archive.close()


def s_and_p(lab, s=95.1, p=84.9):
    return (
        lab.write("s1", s, Polarisation="s", Angle=45),
        lab.write("p1", p, Polarisation="p", Angle=45, minute=5),
    )


def test_a_partner_that_comes_later_is_judged_with_the_lead_in_its_own_commit(lab):
    lab = lab(S_AND_P)
    s, p = s_and_p(lab)
    lab.take(s)
    assert lab.said("s1") == ("not measurable", "no p scan of site 3 yet")
    before = lab.commits()
    lab.take(p)
    assert lab.commits() == before + 1
    found = lab.verdict("s1")
    # (95.1 + 84.9) / 2 is 90, exactly on the limit
    assert (found["outcome"], found["value"]) == ("pass", 90.0)
    assert found["drawn_from"] == [lab.named("p1")]
    (made,) = lab.archive.store.derived([found["spectrum"]])
    assert made.values.tolist() == [[90.0] * 11]
    assert lab.archive.verdicts([lab.named("p1")]).is_empty()
    assert not lab.archive.verify()


@pytest.mark.parametrize("order", ["sp", "ps"])
def test_both_may_come_at_once_or_the_partner_first(lab, order):
    lab = lab(S_AND_P)
    files = dict(zip("sp", s_and_p(lab), strict=True))
    if order == "ps":
        lab.take(files["p"])
        lab.take(files["s"])
    else:
        lab.take(*files.values())
    assert lab.said("s1") == ("pass", "")
    assert not lab.archive.verify()


def test_a_verdict_follows_what_it_draws_on(lab):
    lab = lab(S_AND_P)
    lab.take(*s_and_p(lab))
    p1, archive = lab.named("p1"), lab.archive
    steps = [
        lambda: archive.withdraw([p1], who="Ada", why="wrong polariser"),
        lambda: archive.reinstate([p1], who="Ada", why="it was the right one"),
        lambda: archive.assign([p1], {"site": "4"}, who="Ada", why="the map says so"),
        lambda: archive.assign([p1], {"site": "3"}, who="Ada", why="the map was turned"),
    ]
    for number, step in enumerate(steps):
        before = lab.commits()
        step()
        assert lab.commits() == before + 1
        wanted = ("pass", "") if number % 2 else ("not measurable", "no p scan of site 3 yet")
        assert lab.said("s1") == wanted
    spectra = archive.store.catalog.places("derived", [lab.verdict("s1")["spectrum"]])
    assert len(spectra) == 1
    assert not archive.verify()


def test_two_partners_wait_for_a_record_that_says_which_counts(lab):
    lab = lab(S_AND_P + '\n[repeats]\ncount = "chosen"\n')
    lab.take(*s_and_p(lab), lab.write("p2", 80.0, Polarisation="p", Angle=45, minute=9))
    outcome, reason = lab.said("s1")
    assert outcome == "not measurable"
    assert reason.startswith("site 3 has 2 scans that may be its p scan; ")
    assert set(lab.verdict("s1")["drawn_from"]) == {lab.named("p1"), lab.named("p2")}
    lab.archive.count_alone(lab.named("p2"), who="Ada", why="the first was taken off the centre")
    assert lab.verdict("s1")["value"] == 87.55
    lab.archive.count_all(lab.named("p2"), who="Ada", why="both are good")
    assert lab.said("s1")[0] == "not measurable"
    lab.archive.withdraw([lab.named("p2")], who="Ada", why="a finger mark")
    assert lab.verdict("s1")["value"] == 90.0


def test_scans_of_another_angle_site_or_part_do_not_belong_together(lab):
    lab = lab(S_AND_P)
    s, p = s_and_p(lab)
    lab.take(
        s,
        lab.write("p2", 85.0, Polarisation="p", Angle=45, Site="4", minute=6),
        lab.write("p3", 85.0, Polarisation="p", Angle=45, Sample="B", minute=7),
    )
    assert lab.said("s1") == ("not measurable", "no p scan of site 3 yet")
    lab.take(lab.write("p4", 85.0, Polarisation="p", Angle=30, minute=8))
    outcome, reason = lab.said("s1")
    assert outcome == "not measurable"
    assert reason == (
        "no p scan of site 3 was measured as the s scan: its angle of incidence is 30°, not 45°"
    )
    lab.take(p)
    assert lab.said("s1") == ("pass", "")


def test_a_lead_keeps_the_version_by_which_it_was_judged(lab):
    lab = lab(S_AND_P)
    s, p = s_and_p(lab)
    lab.take(s)
    version = lab.verdict("s1")["spec_version"]
    lab.specs.write_text(S_AND_P.replace("90.0", "90.1"), "utf-8")
    lab.take(p)
    assert lab.verdict("s1")["spec_version"] == version
    assert lab.said("s1") == ("pass", "")


def test_what_is_taken_as_backfill_completes_a_lead_and_gets_no_verdict(lab):
    lab = lab(S_AND_P)
    s, p = s_and_p(lab)
    lab.take(s)
    lab.take(p, backfill=True)
    assert lab.said("s1") == ("pass", "")
    lab.take(lab.write("s2", 95.0, Polarisation="s", Angle=45, minute=20), backfill=True)
    assert lab.archive.verdicts([lab.named("s2")]).is_empty()


def test_what_t_and_r_leave_is_called_absorptance_only_where_all_light_was_gathered(lab):
    lab = lab(REMAINDER)
    scan = {"Angle": 8, "Bandwidth": 2}
    lab.take(
        lab.write("t1", 91.7, end="t", **scan),
        lab.write("r1", 7.9, minute=5, **scan),
    )
    found = lab.verdict("t1")
    assert (found["value"], found["outcome"]) == (0.4, "pass")
    assert found["quantity"] == "absorptance plus scatter"
    total = scan | {"Site": "5", "Geometry": "total"}
    lab.take(
        lab.write("t2", 91.7, end="t", minute=10, **total), lab.write("r2", 7.9, minute=15, **total)
    )
    assert lab.verdict("t2")["quantity"] == "absorptance"


@pytest.mark.parametrize(
    ("t", "r", "reason"),
    [
        ({"Bandwidth": 1}, {}, "its bandwidth is 2 nm, not 1 nm"),
        ({"Bandwidth": None}, {}, "the bandwidth of the transmittance scan is unknown"),
        ({}, {"Side": "back"}, "its side is back, and that of the lead unknown"),
    ],
)
def test_t_and_r_that_were_measured_otherwise_close_no_balance(lab, t, r, reason):
    lab = lab(REMAINDER)
    scan = {"Angle": 8, "Bandwidth": 2}
    lab.take(
        lab.write("t1", 91.7, end="t", **(scan | t)), lab.write("r1", 7.9, minute=5, **(scan | r))
    )
    outcome, said = lab.said("t1")
    assert outcome == "not measurable"
    assert reason in said


def test_segments_are_joined_at_their_seam_or_not_at_all(lab):
    lab = lab(JOINED)
    lab.take(
        lab.write("u1", 90.3, first=495, points=11, Segment="short"),
        lab.write("v1", 90.0, first=500, points=16, Segment="long", minute=5),
    )
    found = lab.verdict("u1")
    assert (found["outcome"], found["value"]) == ("pass", 90.0)
    (made,) = lab.archive.store.derived([found["spectrum"]])
    assert made.axis.values.tolist() == list(range(495, 516))
    assert made.values[0].tolist() == [90.3] * 10 + [90.0] * 11
    lab.archive.withdraw([lab.named("v1")], who="Ada", why="purge was off")
    lab.take(lab.write("v2", 89.9, first=500, points=16, Segment="long", minute=9))
    outcome, reason = lab.said("u1")
    assert outcome == "not measurable"
    assert reason == (
        "at the seam at 505 nm the segments short and long differ by 0.4 %R; the largest allowed "
        "is 0.3 %R"
    )
    assert lab.verdict("u1")["spectrum"] == "as exported"
    assert not lab.archive.verify()


def saved(file, at_s):
    os.utime(file, (at_s, at_s))
    return file


def test_an_export_saved_again_with_its_site_completes_the_lead(lab):
    lab = lab(S_AND_P)
    s, _ = s_and_p(lab)
    lab.take(s, saved(lab.write("p1", 84.9, Polarisation="p", Angle=45, Site=None), 1.8e9))
    assert lab.said("s1") == ("not measurable", "no p scan of site 3 yet")
    lab.take(saved(lab.write("p1", 84.9, Polarisation="p", Angle=45), 1.8e9 + 60))
    assert lab.said("s1") == ("pass", "")
    newer = lab.archive.find(file="p1.r")["measurement_id"].item()
    assert lab.verdict("s1")["drawn_from"] == [newer]
    lab.archive.withdraw([newer], who="Ada", why="the site was guessed")
    assert lab.said("s1") == ("not measurable", "no p scan of site 3 yet")


def test_an_older_state_read_late_is_no_partner(lab):
    lab = lab(S_AND_P)
    s, _ = s_and_p(lab)
    lab.take(s, saved(lab.write("p1", 84.9, Polarisation="p", Angle=45), 1.8e9))
    lab.take(saved(lab.write("p1", 80.0, Polarisation="p", Angle=45), 1.8e9 - 60))
    assert lab.archive.totals()["superseded"] == 1
    assert (lab.said("s1"), lab.verdict("s1")["value"]) == (("pass", ""), 90.0)


def test_a_partner_in_conflict_counts_once_a_person_has_settled_it(lab):
    lab = lab(S_AND_P)
    s, p = s_and_p(lab)
    lab.take(s, p)
    claim = lab.write("p2", 84.9, Polarisation="p", Angle=45, Site="4", minute=5)
    assert lab.archive.ingest([claim]).counts["conflict"] == 1
    outcome, reason = lab.said("s1")
    assert outcome == "not measurable"
    assert reason == (
        "the p scan of site 3 is in conflict with another, which a person must settle"
    )
    before = lab.commits()
    lab.archive.withdraw([lab.named("p2")], who="Ada", why="copied by hand")
    assert lab.commits() == before + 1
    assert lab.said("s1") == ("pass", "")
    lab.archive.reinstate([lab.named("p2")], who="Ada", why="it was not")
    assert lab.said("s1")[0] == "not measurable"
    lab.archive.settle_conflict([lab.named("p2")], who="Ada", why="both are right")
    assert lab.said("s1") == ("pass", "")


def test_judging_again_draws_on_the_same_measurements(lab):
    lab = lab(S_AND_P)
    lab.take(*s_and_p(lab))
    before = lab.verdict("s1")
    lab.specs.write_text(S_AND_P.replace("90.0", "90.1"), "utf-8")
    counts = lab.archive.judge([lab.named("s1")], spec="mirror", who="Ada", why="new limit")
    assert counts == {"fail": 1}
    found = lab.verdict("s1")
    assert found["drawn_from"] == before["drawn_from"]
    assert found["spectrum"] == before["spectrum"], "the same spectrum is kept once"
    assert not lab.archive.verify()
    lab.archive.rebuild()
    assert lab.verdict("s1") == found


def test_a_run_sheet_that_tells_the_site_completes_the_lead(lab):
    lab = lab(S_AND_P)
    s, _ = s_and_p(lab)
    lab.take(s, lab.write("p1", 84.9, Polarisation="p", Angle=45, Site=None))
    sheet = lab.exports / "runs.csv"
    sheet.write_text("file,site\np1.r,3\n", "utf-8")
    lab.archive.ingest([lab.exports])
    assert lab.said("s1") == ("pass", "")


SITES = '''
"""Reads the sites of a mirror, first all in s and then all in p."""
from speclake.importing import Confidence, Guess
from speclake.spectrum import Spectrum

class Sites:
    name = "sites"
    version = "1"

    def sniff(self, head):
        sure = Confidence.CERTAIN if head.content.startswith(b"sites") else Confidence.NO
        return Guess(sure, "the first line is 'sites'")

    def read(self, source):
        sites = int(source.content.split()[1])
        for polarisation, value in (("s", 95.0), ("p", 85.5)):
            for site in range(sites):
                yield Spectrum.as_listed(
                    [500.0 + i for i in range(11)], [value + site / 1000] * 11,
                    axis_unit="nm", unit="%R", place=f"{polarisation} {site}",
                    fields={"sample": "A", "lot": "L1", "product": "mirror", "kind": "part",
                            "site": str(site), "polarisation": polarisation, "angle_deg": "45"},
                )
'''


@pytest.mark.parametrize("is_long", [False, True])
def test_partners_in_one_file_are_found_however_long_it_is(lab, is_long):
    lab = lab(S_AND_P)
    (lab.archive.root / "plugins/sites.py").write_text(SITES, "utf-8")
    file = lab.exports / "map.txt"
    file.write_text("sites 40", "utf-8")
    sizes = {"long_file_bytes": 4, "scans_bytes": 20_000} if is_long else {}
    _, (reading,) = take(lab.archive, tasks_of([file]), **sizes)
    assert (reading.spooled is not None) == is_long
    assert lab.commits() == 1
    found = lab.archive.verdicts().sort("value").to_dicts()
    assert [each["value"] for each in found] == [90.25 + site / 1000 for site in range(40)]
    assert all(len(each["drawn_from"]) == 1 for each in found)
    assert not lab.archive.verify()


def test_a_part_without_its_p_scan_is_incomplete_and_passes_with_it(lab):
    lab = lab(S_AND_P + '\n[needs]\npolarisations = ["s", "p"]\n')
    s, p = s_and_p(lab)
    lab.take(p)
    (part,) = lab.archive.part_verdicts(lot="L1")
    assert str(part.outcome) == "incomplete"
    lab.take(s)
    (part,) = lab.archive.part_verdicts(lot="L1")
    assert str(part.outcome) == "pass"


def test_what_is_learned_of_a_withdrawn_scan_does_not_bring_it_back(lab):
    lab = lab(S_AND_P)
    s, _ = s_and_p(lab)
    lab.take(s, lab.write("p1", 84.9, Polarisation="p", Angle=45, Site="4"))
    p1 = lab.named("p1")
    lab.archive.withdraw([p1], who="Ada", why="finger mark")
    lab.archive.assign([p1], {"site": "3"}, who="Ada", why="the map was turned")
    assert lab.said("s1") == ("not measurable", "no p scan of site 3 yet")
    lab.archive.reinstate([p1], who="Ada", why="it was cleaned")
    assert lab.said("s1") == ("pass", "")


def test_a_specification_that_nobody_used_yet_draws_on_several_in_what_if(lab, tmp_path):
    lab = lab(S_AND_P.replace("[requirement.drawn_from]\nhow", "note"))
    lab.take(*s_and_p(lab))
    assert lab.archive.verdicts([lab.named("s1")])["value"].item() == 95.1
    file = tmp_path / "next.toml"
    file.write_text(S_AND_P.replace("90.0", "90.1"), "utf-8")
    found = lab.archive.what_if(str(file))
    assert found.outcomes["average"] == {("pass", "fail"): 1, ("fail", "not judged"): 1}
