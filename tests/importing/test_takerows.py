"""Rows of a long text end where its lines say, however the text comes in pieces."""

import io
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from speclake.errors import MalformedFile
from speclake.importing import text as text_module
from speclake.importing.formats import Header
from speclake.importing.takerows import _Blank, _Matching, _take, ending
from speclake.importing.text import Lines, open_text, read_header

PATTERNS = ["^site", "site$", "^site$", "site", "^$", "^", "$", "^--- end", r"^s\w", "1$", "^ *$"]
LINES = ["site", "site 1", " site", "1\t2", "", "\r", "site\r", " ", "--- end", "s", "e"]
TEXTS = st.lists(st.sampled_from(LINES), max_size=12).map("\n".join)


@given(TEXTS, st.sampled_from(PATTERNS), st.integers(0, 20))
@example("1\t2\nsite", "^site", 0)
def test_plain_pattern_finds_the_line_that_its_expression_finds(text, pattern, start) -> None:
    start = 0 if start == 0 else text.find("\n", start) + 1
    slow = _Matching(re.compile(pattern))
    assert ending(pattern).find(text, start) == slow.find(text, start)
    for line in text.split("\n"):
        assert ending(pattern).is_in(line) == slow.is_in(line)


@given(TEXTS, st.integers(0, 20))
def test_blank_line_is_found_as_one_without_anything_else(text, start) -> None:
    start = 0 if start == 0 else text.find("\n", start) + 1
    slow = _Matching(re.compile(r"\A\s*\Z"))
    assert _Blank().find(text, start) == slow.find(text, start)


@given(
    TEXTS,
    st.lists(st.sampled_from(PATTERNS), max_size=2),
    st.none() | st.integers(0, 5),
    st.integers(1, 30),
)
def test_rows_end_at_the_same_line_in_any_pieces(text, patterns, most, size) -> None:
    def by_hand() -> int:
        whole = text.split("\n")[:-1]
        for row, line in enumerate(whole):
            line = line.removesuffix("\r")
            if row == most or any(re.search(p, line) for p in patterns):
                return row
        return len(whole)

    lines = Lines(more=[text[at : at + size] for at in range(0, len(text), size)])
    taken = _take(lines, [ending(pattern) for pattern in patterns], most)
    rows = by_hand()
    assert taken.count == rows
    assert "".join(taken.pieces) == "".join(f"{line}\n" for line in text.split("\n")[:rows])
    assert taken.is_text_over == (rows == len(text.split("\n")) - 1)
    assert lines.number == 1 + rows


@given(st.text("ab\u00e4\u8a66\n\r", max_size=40), st.integers(1, 7),
       st.sampled_from(["utf-8", "utf-16-le", "gb18030", "cp932"]))  # fmt: skip
def test_text_is_the_same_in_any_pieces_of_bytes(text, size, encoding) -> None:
    text = text.encode(encoding, "replace").decode(encoding)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(text_module, "PIECE", size)
        patch.setattr(text_module, "LAST_LINES", 4)
        content = text.encode(encoding)
        if "\n" not in text and "\r" in text.rstrip("\r"):
            text = text.replace("\r", "\n")
        lines, _ = open_text(io.BytesIO(content), encoding, "run7.txt")
        assert "".join(lines.take_pieces()) == text
        lines, _ = open_text(io.BytesIO(content), encoding, "run7.txt")
        taken = []
        while (line := lines.take()) is not None:
            taken.append(line)
    assert taken == [line.removesuffix("\r") for line in text.split("\n")[:-1]]
    assert lines.number == len(taken) + 1


@pytest.mark.parametrize(
    ("encoding", "wrong"),
    [("utf-8", b"\xff"), ("utf-16-le", b"\x00\xdc"), ("cp932", b"\x81 "), ("gb18030", b"\xff")],
)
@pytest.mark.parametrize("size", [1, 2, 3, 5, 64, 1 << 20])
def test_wrong_byte_is_named_by_its_line_in_any_pieces(encoding, wrong, size) -> None:
    content = "one\ntwo\n\u8a66".encode(encoding) + wrong + "\nthree\n".encode(encoding)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(text_module, "PIECE", size)
        lines, _ = open_text(io.BytesIO(content), encoding, "run7.txt")
        with pytest.raises(MalformedFile) as caught:
            list(lines.take_pieces())
    assert caught.value.place == "line 3"
    assert caught.value.found.startswith("the bytes 0x")


def test_character_that_the_file_cuts_is_refused() -> None:
    lines, _ = open_text(io.BytesIO("a\nb\n\u8a66".encode()[:-1]), "utf-8", "run7.txt")
    with pytest.raises(MalformedFile, match="line 3: found the bytes 0xe8 0xa9"):
        list(lines.take_pieces())


def test_endless_line_is_refused_early() -> None:
    read = 0

    def pieces():
        nonlocal read
        while True:
            read += 1 << 20
            yield "1" * (1 << 20)

    lines = Lines(more=pieces(), file="run7.txt")
    with pytest.raises(MalformedFile, match="without a line end"):
        lines.take()
    assert read < 1 << 25


def test_header_without_an_end_is_refused_early() -> None:
    header = Header(next_line="^nm")
    lines = Lines(more=("name: value\n" * 100_000 for _ in range(1000)), file="run7.txt")
    with pytest.raises(MalformedFile, match="characters of entries and no end"):
        read_header(lines, header, None, "run7.txt", "")
