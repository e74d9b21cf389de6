"""A plain writer of JCAMP-DX for tests: every form, one number after the other, no cleverness.

It shares no code with the reader, so that the two can check each other.
"""

from collections.abc import Sequence
from itertools import groupby

SQUEEZED = {False: "@ABCDEFGHI", True: "@abcdefghi"}
STEPPED = {False: "%JKLMNOPQR", True: "%jklmnopqr"}
COUNTED = " STUVWXYZs"

FORMS = ("AFFN", "PAC", "SQZ", "DIF", "SQZDUP", "DIFDUP")


def squeezed(number: int | None) -> str:
    """Ordinate in SQZ form; None is missing."""
    return "?" if number is None else _led(number, SQUEEZED)


def stepped(difference: int) -> str:
    """Difference in DIF form."""
    return _led(difference, STEPPED)


def counted(times: int) -> str:
    """Count in DUP form."""
    return COUNTED[int(str(times)[0])] + str(times)[1:]


def _led(number: int, letters: dict[bool, str]) -> str:
    digits = str(abs(number))
    return letters[number < 0][int(digits[0])] + digits[1:]


def with_counts(tokens: Sequence[str]) -> str:
    """Tokens with runs of equal ones written once and counted."""
    text = ""
    for token, run in groupby(tokens):
        times = len(list(run))
        text += token + (counted(times) if times > 1 else "")
    return text


def data_lines(
    form: str, abscissae: Sequence[str], ordinates: Sequence[int | None], per_line: int = 8
) -> list[str]:
    """Lines of a table (X++(Y..Y)).

    Parameters
    ----------
    form : one of `FORMS`.
    abscissae : text of the abscissa of every point; each line shows its first.
    ordinates : whole numbers; None is missing.
    per_line : new points on a line.
    """
    lines = []
    for first in range(0, len(ordinates), per_line):
        part = ordinates[first : first + per_line]
        if form in ("AFFN", "PAC"):
            lines.append(_plain(form, abscissae[first], part))
        elif form.startswith("SQZ"):
            tokens = [squeezed(each) for each in part]
            line = with_counts(tokens) if form.endswith("DUP") else "".join(tokens)
            lines.append(abscissae[first] + line)
    if form.startswith("DIF"):
        lines = _in_differences(form, abscissae, ordinates, per_line)
    return lines


def _plain(form: str, abscissa: str, part: Sequence[int | None]) -> str:
    if form == "AFFN":
        return " ".join([abscissa, *("?" if each is None else str(each) for each in part)])
    return abscissa + "".join("?" if each is None else f"{each:+d}" for each in part)


def _in_differences(
    form: str, abscissae: Sequence[str], ordinates: Sequence[int | None], per_line: int
) -> list[str]:
    lines, point, check = [], 0, False
    while point < len(ordinates) or check:
        first = point - 1 if check else point
        tokens = [squeezed(ordinates[first])]
        point = first + 1
        before, check = ordinates[first], False
        while point < len(ordinates) and len(tokens) < per_line:
            here = ordinates[point]
            if here is None or before is None:
                tokens.append(squeezed(here))
                check = False
            else:
                tokens.append(stepped(here - before))
                check = True
            before, point = here, point + 1
        lines.append(
            abscissae[first] + (with_counts(tokens) if form == "DIFDUP" else "".join(tokens))
        )
    return lines


def jcamp(
    lines: Sequence[str],
    *,
    ends: tuple[str, str],
    points: int,
    label: str = "XYDATA= (X++(Y..Y))",
    title: str = "invented",
    closed: bool = True,
    **records: str | None,
) -> bytes:
    """A file of one block; a record given as None is left out."""
    header = {
        "TITLE": title,
        "JCAMP-DX": "4.24",
        "DATA TYPE": "UV-VISIBLE SPECTRUM",
        "XUNITS": "NANOMETERS",
        "YUNITS": "ABSORBANCE",
        "XFACTOR": "1",
        "YFACTOR": "1",
        "FIRSTX": ends[0],
        "LASTX": ends[1],
        "NPOINTS": str(points),
    }
    entries = {**header, **{name.replace("_", " "): text for name, text in records.items()}}
    text = "".join(f"##{name}= {value}\n" for name, value in entries.items() if value is not None)
    text += f"##{label}\n" + "".join(f"{line}\n" for line in lines)
    return (text + ("##END=\n" if closed else "")).encode()
