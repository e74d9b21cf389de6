"""The texts that the benches write: four delimited ones, all invented, and JCAMP-DX."""

from collections.abc import Mapping, Sequence

from speclake_demo.clock import wall
from speclake_demo.scans import Scan


def tab_text(scan: Scan, comment: str = "") -> bytes:
    """Export of bench A: ``key: value`` lines, tab, decimal point, UTF-8, from long to short."""
    f = scan.fields
    entries = {
        "Bench": f["instrument"],
        "Scan of": f["kind"],
        "Order": f.get("order_number", ""),
        "Customer": f.get("customer", ""),
        "Product": f.get("product", ""),
        "Lot": f.get("lot", ""),
        "Coating run": f.get("coating_run", ""),
        "Serial": f.get("serial", ""),
        "Sample": f.get("sample", ""),
        "Witness for": f.get("witness_for", ""),
        "Repeat of": f.get("repeat_of", ""),
        "Fixture position": f.get("fixture_position", ""),
        "Substrate": f.get("substrate", ""),
        "Thickness in mm": f.get("substrate_thickness_mm", ""),
        "Stage": f.get("stage", ""),
        "Operator": f["operator"],
        "Scanned": wall(scan.scanned).strftime("%Y-%m-%d %H:%M:%S"),
        "Holder": f["accessory"],
        "Angle in degrees": f["angle_deg"],
        "Values in": "percent of the empty beam" if scan.unit == "%T" else scan.unit,
        "Values are": f["correction"],
        "Zero line applied": f.get("zero_line_applied", ""),
        "Slit in nm": f["bandwidth_nm"],
        "Interval in nm": f["interval_nm"],
        "Comment": comment,
        "Points": str(scan.wavelength_nm.size),
    }
    lines = [f"{key}: {value}" for key, value in entries.items()]
    points = [
        f"{wavelength:g}\t{value}"
        for wavelength, value in zip(scan.wavelength_nm[::-1], scan.texts[::-1], strict=True)
    ]
    return _encoded([*lines, "", f"nm\t{scan.unit}", *points], "\r\n", "utf-8")


def block_text(head: Mapping[str, str], scans: Sequence[Scan]) -> bytes:
    """Mapping file of bench B: a head, then one block of comma-separated points a site."""
    lines = [f"{key} = {value}" for key, value in head.items()]
    for scan in scans:
        f = scan.fields
        lines += [
            "",
            "--- next site ---",
            f"site = {f['site']}",
            f"x in mm = {f['x_mm']}",
            f"y in mm = {f['y_mm']}",
            f"time = {wall(scan.scanned).strftime('%Y-%m-%dT%H:%M:%S')}",
            f"points = {scan.wavelength_nm.size}",
            f"nm,{scan.unit}",
        ]
        lines += [
            f"{wavelength:g},{value}"
            for wavelength, value in zip(scan.wavelength_nm, scan.texts, strict=True)
        ]
    return _encoded(lines, "\n", "ascii")


def semicolon_text(scan: Scan) -> bytes:
    """Export of bench D: semicolons, decimal comma, day before month, code page 1252."""
    f = scan.fields
    entries = {
        "Instrument": f["instrument"],
        "Scan of": {"part": "panel", "reference": "mirror"}[f["kind"]],
        "Product": f.get("product", ""),
        "Sample": f.get("sample", ""),
        "Head": f["accessory"],
        "Angle (°)": _comma(f["angle_deg"]),
        "Operator": f["operator"],
        "Date": wall(scan.scanned).strftime("%d.%m.%Y"),
        "Time": wall(scan.scanned).strftime("%H:%M:%S"),
        "Correction": f["correction"],
        "Slit (nm)": _comma(f["bandwidth_nm"]),
        "Room": "21,5 °C ± 0,5 °C",
        "Points": str(scan.wavelength_nm.size),
    }
    lines = [f"{key};{value}" for key, value in entries.items()]
    points = [
        f"{wavelength:g};{_comma(value)}"
        for wavelength, value in zip(scan.wavelength_nm, scan.texts, strict=True)
    ]
    return _encoded([*lines, "", f"nm;{scan.unit}", *points], "\r\n", "cp1252")


_PIECES = {
    "part": "product",
    "witness piece": "witness",
    "standard": "standard",
    "check piece": "check",
}


def comma_text(scan: Scan) -> bytes:
    """Export of bench E: ``key = value`` lines, commas, decimal point, ASCII."""
    f = scan.fields
    entries = {
        "bench": f["instrument"],
        "piece": _PIECES[f["kind"]],
        "product": f.get("product", ""),
        "lot": f.get("lot", ""),
        "coating run": f.get("coating_run", ""),
        "serial": f.get("serial", ""),
        "sample": f.get("sample", ""),
        "witness for": f.get("witness_for", ""),
        "repeat of": f.get("repeat_of", ""),
        "substrate": f.get("substrate", ""),
        "stage": f.get("stage", ""),
        "face": f.get("side", ""),
        "mounted in": f["accessory"],
        "turned by": f["angle_deg"],
        "light": f.get("polarisation", ""),
        "gathered": f["geometry"],
        "values are": f["correction"],
        "slit in nm": f["bandwidth_nm"],
        "operator": f["operator"],
        "ended": wall(scan.scanned).strftime("%Y-%m-%d %H:%M:%S"),
        "points": str(scan.wavelength_nm.size),
    }
    lines = [f"{key} = {value}" for key, value in entries.items()]
    points = [
        f"{wavelength:g},{value}"
        for wavelength, value in zip(scan.wavelength_nm, scan.texts, strict=True)
    ]
    return _encoded([*lines, "", f"nm,{scan.unit}", *points], "\n", "ascii")


def jcamp_text(scan: Scan, values_a_line: int = 8) -> bytes:
    """Export of bench C: JCAMP-DX in AFFN form, which knows the wafer but neither lot nor site."""
    wavelength, texts, values = scan.wavelength_nm, scan.texts, scan.values
    when = wall(scan.scanned)
    step = wavelength[1] - wavelength[0]
    entries = {
        "TITLE": scan.fields["sample"],
        "JCAMP-DX": "5.00",
        "DATA TYPE": "UV-VIS SPECTRUM",
        "ORIGIN": "the demo coating house (invented)",
        "OWNER": "public domain",
        "LONGDATE": when.strftime("%Y/%m/%d %H:%M:%S"),
        "SPECTROMETER/DATA SYSTEM": scan.fields["instrument"],
        "INSTRUMENTAL PARAMETERS": "path purged with nitrogen",
        "RESOLUTION": scan.fields["bandwidth_nm"],
        "XUNITS": "NANOMETERS",
        "YUNITS": "TRANSMITTANCE",
        "XFACTOR": "1",
        "YFACTOR": "1",
        "DELTAX": f"{step:g}",
        "FIRSTX": f"{wavelength[0]:g}",
        "LASTX": f"{wavelength[-1]:g}",
        "NPOINTS": str(wavelength.size),
        "FIRSTY": texts[0],
        "MAXY": texts[int(values.argmax())],
        "MINY": texts[int(values.argmin())],
        "XYDATA": "(X++(Y..Y))",
    }
    lines = [f"##{label}= {value}" for label, value in entries.items()]
    lines += [
        " ".join([f"{wavelength[i]:g}", *texts[i : i + values_a_line]])
        for i in range(0, wavelength.size, values_a_line)
    ]
    return _encoded([*lines, "##END="], "\r\n", "ascii")


SHEET_COLUMNS = (
    "run", "kind", "product", "lot", "serial", "site", "x_mm", "y_mm", "segment", "operator",
)  # fmt: skip


def run_sheet_text(scans: Sequence[Scan]) -> bytes:
    """Run sheet as CSV: which run of bench C is which wafer and site."""
    lines = [
        ",".join(SHEET_COLUMNS),
        *(",".join(scan.fields.get(column, "") for column in SHEET_COLUMNS) for scan in scans),
    ]
    return _encoded(lines, "\r\n", "ascii")


def _comma(number: str) -> str:
    return number.replace(".", ",")


def _encoded(lines: Sequence[str], end_of_line: str, encoding: str) -> bytes:
    return (end_of_line.join(lines) + end_of_line).encode(encoding)
