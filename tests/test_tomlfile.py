"""A wrong settings file is told by file, line, key, found and allowed."""

from typing import Literal

import pytest
from pydantic import BaseModel, ConfigDict

from speclake import tomlfile
from speclake.errors import BadSettings


class Folder(BaseModel):
    model_config = ConfigDict(extra="forbid")
    path: str
    observer: Literal["auto", "off"] = "auto"


class Settings(BaseModel):
    model_config = ConfigDict(extra="forbid")
    name: str
    folders: list[Folder] = []


def problems(text: str) -> list[tuple[int | None, str, str, str]]:
    with pytest.raises(BadSettings) as caught:
        tomlfile.loads(text, "lab.toml", Settings)
    assert all(p.file == "lab.toml" for p in caught.value.problems)
    return [(p.line, p.key, p.found, p.allowed) for p in caught.value.problems]


def test_wrong_value_names_its_own_line_in_the_second_of_two_tables() -> None:
    text = 'name = "a"\n[[folders]]\npath = "x"\n\n[[folders]]\npath = "y"\nobserver = "never"\n'
    assert problems(text) == [(7, "folders.1.observer", "'never'", "'auto' or 'off'")]


def test_unknown_key_lists_the_known_ones() -> None:
    text = 'name = "a"\n[[folders]]\npath = "x"\nwatcher = 1\n'
    assert problems(text) == [
        (4, "folders.0.watcher", "the key 'watcher'", "one of observer, path")
    ]


def test_missing_key_points_to_its_table() -> None:
    assert problems('name = "a"\n\n[[folders]]\n') == [
        (3, "folders.0.path", "nothing", "this key, which is required")
    ]


def test_text_that_is_not_toml_names_the_line() -> None:
    (line, key, _, allowed), *rest = problems('name = "a"\nfolders = [\n')
    assert (key, allowed, rest) == ("the file", "TOML 1.0", [])
    assert line is None or line >= 2
