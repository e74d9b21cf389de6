"""Answers to the questions of a draft, as a person writes them on one line."""

import tomllib

from speclake.errors import BadSettings, SettingsProblem
from speclake.importing.drafting.sheet import Value


def answer_of(text: str) -> tuple[str, Value]:
    """Key and value of a text such as ``values.unit=%T``; what is no TOML value is plain text.

    Raises
    ------
    speclake.errors.BadSettings
        There is no key or no value in it.
    """
    key, _, written = text.partition("=")
    key, written = key.strip(), written.strip()
    if not key or not written:
        problem = SettingsProblem("an answer", None, "the answer", repr(text), "KEY=VALUE")
        raise BadSettings((problem,))
    try:
        value: Value = tomllib.loads(f"value = {written}")["value"]
    except tomllib.TOMLDecodeError:
        value = written
    return key, value
