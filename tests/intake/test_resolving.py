"""Which part a scan is of: header, names and run sheets, and what happens when they disagree."""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from speclake.intake.resolving import FileFacts, Reader, measurement_of
from speclake.intake.runsheets import RunSheet
from speclake.measurement import Kind, LinkKind, Measurement
from speclake.settings import Settings
from speclake.spectrum import Spectrum

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
SETTINGS: dict[str, Any] = {
    "name": "lab",
    "folder": [{"name": "bench", "path": "in", "patterns": ["tree"], "fields": {"kind": "part"}}],
    "pattern": [{"name": "tree", "path": "{product}/{lot}/{serial}_s{site}.txt"}],
    "kind": [{"kind": "blank", "field": "sample", "matches": "100 %*"}],
    "site_map": [{"products": ["wafer"], "sites": {"5": [10.0, -4.0]}}],
    "configuration": [
        {"instrument": "A", "starting": "2025-01-01", "changeovers_nm": [860]},
        {"instrument": "A", "starting": "2026-01-01", "changeovers_nm": [850, 1800]},
        {"instrument": "A", "starting": "2027-01-01", "changeovers_nm": [1]},
    ],
}


def resolve(
    fields: dict[str, str],
    path: str = "wafer/L7/W3_s5.txt",
    sheets: tuple[RunSheet, ...] = (),
    **changes: Any,
) -> Measurement:
    settings = Settings.model_validate(SETTINGS | changes)
    spectrum = Spectrum.as_listed(
        [500.0, 400.0], [91.0, 90.0], axis_unit="nm", unit="%T", fields=fields
    )
    facts = FileFacts("f1", path, NOW, NOW)
    return measurement_of(
        spectrum, facts, Reader("columns", "1"), settings.folder[0], settings, sheets
    )


def test_names_of_folders_and_file_give_the_part_and_its_site() -> None:
    m = resolve({})
    assert (m.product, m.lot, m.serial, m.site) == ("wafer", "L7", "W3", "5")
    assert (m.x_mm, m.y_mm) == (10.0, -4.0)
    assert m.origin["lot"] == "pattern tree"
    assert m.origin["x_mm"] == "site map of the settings"
    assert m.unresolved == ()


def test_header_and_name_that_disagree_leave_the_field_unknown_and_told() -> None:
    m = resolve({"lot": "L8"})
    assert m.lot is None
    assert m.unresolved == ("lot: header says 'L8'; pattern tree says 'L7'",)


def test_run_sheet_fills_what_header_and_name_lack() -> None:
    sheet = RunSheet("mon.csv", ((4, {"file": "x.txt", "lot": "L1", "serial": "9"}),))
    m = resolve({"product": "window"}, "x.txt", (sheet,))
    assert (m.lot, m.serial) == ("L1", "9")
    assert m.origin["lot"] == "run sheet mon.csv, line 4"


def test_what_a_part_lacks_is_listed_in_words() -> None:
    m = resolve({"product": "window"}, "x.txt")
    assert m.unresolved == (
        "lot: neither header, name nor run sheet gives it",
        "sample or serial: neither header, name nor run sheet gives it",
    )


def test_rule_recognises_a_blank_before_the_folder_calls_it_a_part() -> None:
    m = resolve({"sample": "100 % line"}, "x.txt")
    assert (m.kind, m.unresolved) == (Kind.BLANK, ())


def test_unknown_kind_stays_unknown_and_is_listed() -> None:
    m = resolve({}, "x.txt", folder=[{"name": "bench", "path": "in"}])
    assert m.kind is Kind.UNKNOWN
    assert m.unresolved == ("kind: nothing says what was in the beam",)


def test_number_that_is_none_is_listed_with_what_was_found() -> None:
    m = resolve({"angle_deg": "8,0"})
    assert m.angle_deg is None
    assert m.unresolved == ("angle_deg: found '8,0'; expected a number with a decimal point",)


def test_configuration_in_force_at_the_time_gives_the_changeovers() -> None:
    assert resolve({"instrument": "A"}).changeovers == (850.0, 1800.0)
    assert resolve({"instrument": "B"}).changeovers == ()


def test_header_names_the_scan_that_this_one_was_measured_against() -> None:
    (link,) = resolve({"measured_against": "base 12"}).links
    assert (link.kind, link.target, link.by_name) == (
        LinkKind.MEASURED_AGAINST,
        "base 12",
        True,
    )


def test_correction_state_stays_unknown_unless_stated() -> None:
    m = resolve({})
    assert (m.correction, m.bounces, m.zero_line_applied, m.smoothed, m.clipped) == (None,) * 5
    stated = resolve({"correction": "Raw ratio", "bounces": "2", "smoothed": "no"})
    assert (stated.correction, stated.bounces, stated.smoothed) == ("raw ratio", 2, False)


def test_identifier_depends_on_content_place_identity_and_reader_alone() -> None:
    one = resolve({})
    assert one.measurement_id == resolve({}).measurement_id
    assert one.measurement_id != resolve({}, "wafer/L7/W3_s6.txt").measurement_id
    np.testing.assert_array_equal((one.axis_first, one.axis_last), (400.0, 500.0))
    assert one.scan_direction == "descending"


def test_polarisation_is_a_word_of_the_trade_or_unknown() -> None:
    assert resolve({"polarisation": "P"}).polarisation == "p"
    told = resolve({"polarisation": "keine"})
    assert told.polarisation is None
    assert told.unresolved[0].startswith("polarisation: found 'keine'; expected s, p,")


def test_site_of_digits_alone_is_not_taken_from_a_name_with_more() -> None:
    strict = [{"name": "tree", "path": "{product}/{lot}/{serial}_s{site:digits}.txt"}]
    assert resolve({}, pattern=strict).site == "5"
    assert resolve({}, "wafer/L7/W3_s5_again.txt", pattern=strict).site is None


def test_what_is_known_of_the_beam_path_is_kept() -> None:
    m = resolve(
        {"baseline_at": "2026-05-04T07:30+02:00", "purge_min": "20", "oxygen_ppm": "3.5",
         "averages": "4"}
    )  # fmt: skip
    assert m.baseline_at == datetime(2026, 5, 4, 5, 30, tzinfo=UTC)
    assert (m.purge_min, m.oxygen_ppm, m.averages) == (20.0, 3.5, 4.0)
    assert m.origin["purge_min"] == "header"
    assert m.notes == ()


def test_what_of_the_beam_path_cannot_be_read_stays_unknown_and_is_noted() -> None:
    m = resolve(
        {"baseline_at": "2026-05-04", "purge_min": "long", "oxygen_ppm": "-1", "averages": "0"}
    )
    assert (m.baseline_at, m.purge_min, m.oxygen_ppm, m.averages) == (None,) * 4
    assert m.notes == (
        "baseline_at not read: found '2026-05-04'; expected a date and a time of day with its "
        "offset, as 2026-05-04T10:12+02:00",
        "purge_min not read: found 'long'; expected a number with a decimal point",
        "oxygen_ppm not read: found '-1'; expected a number of at least 0",
        "averages not read: found '0'; expected a number of at least 1",
    )
    assert m.unresolved == ()
    assert "averages" not in m.origin


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("319; 860.8", (319.0, 860.8)),
        ("860 319", (319.0, 860.0)),
        ("319,860", (319.0, 860.0)),
        ("319 nm, 860 nm", (319.0, 860.0)),
        ("350", (350.0,)),
    ],
)
def test_change_overs_that_a_header_states_go_before_those_of_the_settings(
    text: str, found: tuple[float, ...]
) -> None:
    settings = {"configuration": [{"instrument": "b", "starting": "2020-01-01",
                                   "changeovers_nm": [800.0]}]}  # fmt: skip
    m = resolve({"instrument": "b", "changeovers_nm": text}, **settings)
    assert (m.changeovers, m.origin["changeovers_nm"]) == (found, "header")
    assert resolve({"instrument": "b"}, **settings).changeovers == (800.0,)


@pytest.mark.parametrize("text", ["319,5; 860", "detector", "0.86", "319-860", "nan", "5"])
def test_change_overs_that_cannot_be_read_are_noted_and_guessed_by_nobody(text: str) -> None:
    m = resolve({"changeovers_nm": text})
    assert m.changeovers == () and "changeovers_nm" not in m.origin
    expected = "expected wavelengths in nm with a decimal point, as 319; 860"
    assert m.notes == (f"changeovers_nm not read: found {text!r}; {expected}",)


def test_a_baseline_without_an_offset_is_in_the_zone_of_the_settings() -> None:
    m = resolve({"baseline_at": "2026-05-04 07:30"}, time_zone="Europe/Paris")
    assert m.baseline_at == datetime(2026, 5, 4, 5, 30, tzinfo=UTC)
    assert resolve({"baseline_at": "2026-05-04 07:30"}).baseline_at is None
