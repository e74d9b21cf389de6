"""Labelled records of JCAMP-DX as text: nothing in a name or a value can begin a record.

A value that would not come back as it is (beyond ASCII, with a comment sign or the beginning of a
record in it, wider than a line) is written as a JSON string, broken wherever the line is full. The
line ends are no part of it: a JSON string holds none.
"""

import json
import re

WIDEST_LINE = 80
_WIDEST_LABEL = 40
_PLAIN = re.compile(r"[\x20-\x7e\n]*")
_LABEL = re.compile(r"[\x21-\x7e](?:[\x20-\x7e]*[\x21-\x7e])?")


def compared(label: str) -> str:
    """Label in the form in which labels are compared.

    >>> compared("Jcamp_dx"), compared("SPECTROMETER/DATA SYSTEM")
    ('JCAMPDX', 'SPECTROMETERDATASYSTEM')
    """
    return re.sub(r"[\s\-/_]", "", label).upper()


def can_be_label(name: str) -> bool:
    """Whether a name is fit to be the label of a record as it is."""
    return (
        len(name) <= _WIDEST_LABEL
        and _LABEL.fullmatch(name) is not None
        and not any(sign in name for sign in ("=", "##", "$$"))
    )


def record(label: str, text: str) -> str:
    r"""A record in lines of at most 80 characters.

    >>> record("LOT", "L7")
    '##LOT= L7'
    >>> record("TITLE", "x\n##END=")
    '##TITLE= "x\\n#\\u0023END="'
    """
    whole = f"##{label}= {text}" if text else f"##{label}="
    if _is_plain(whole, text):
        return whole
    quoted = json.dumps(text).replace("##", r"#\u0023").replace("$$", r"$\u0024")
    whole = f"##{label}= {quoted}"
    return "\n".join(
        whole[start : start + WIDEST_LINE] for start in range(0, len(whole), WIDEST_LINE)
    )


def _is_plain(whole: str, text: str) -> bool:
    lines = whole.split("\n")
    return (
        _PLAIN.fullmatch(text) is not None
        and text == text.strip()
        and not text.startswith('"')
        and "$$" not in text
        and all(len(line) <= WIDEST_LINE for line in lines)
        and not any(line.lstrip().startswith("##") for line in lines[1:])
    )


def unquoted(text: str) -> str:
    r"""Text that `record` was given, from the value that stands in the record.

    >>> unquoted('"x\\n#\\u0023END="') == "x\n##END="
    True
    """
    if not text.startswith('"'):
        return text
    try:
        found = json.loads(text.replace("\n", ""))
    except ValueError:
        return text
    return found if isinstance(found, str) else text
