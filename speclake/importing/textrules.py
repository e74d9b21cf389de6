"""How a text export writes characters, cells and numbers: the table `[text]` of a format."""

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, PositiveInt, model_validator

PROVEN = "proven"
"""Word for an encoding or a decimal sign that the file itself has to prove."""

UNSAFE_CODECS = frozenset(
    {"idna", "punycode", "raw_unicode_escape", "undefined", "unicode_escape", "utf_7", "utf-7"}
)
"""Codecs in which one text may be written in several ways, or that are no encoding of a file."""

OTHER_MINUS_SIGNS = (
    "\N{HYPHEN}\N{NON-BREAKING HYPHEN}\N{FIGURE DASH}\N{EN DASH}\N{EM DASH}"
    "\N{SMALL HYPHEN-MINUS}\N{FULLWIDTH HYPHEN-MINUS}"
)
"""Signs that a format may declare as a minus; U+2212 is one already."""

DecimalSign = Literal[".", ","]
CellPlace = Annotated[list[PositiveInt], Field(min_length=2, max_length=2)]
"""First and last character of a cell in its line, counted from 1."""


def _encoding(name: str) -> str:
    if name == PROVEN:
        return name
    try:
        writes_digits = "0,1;2\n".encode(name).decode(name) == "0,1;2\n"
    except (LookupError, UnicodeError):
        writes_digits = False
    if not writes_digits or name.lower() in UNSAFE_CODECS:
        raise ValueError("an encoding such as utf-8, utf-16, cp1252, cp932, gb18030, or 'proven'")
    return name


class Text(BaseModel):
    """How characters, cells and numbers are written.

    Raises
    ------
    ValueError
        Two signs could be taken for one another, or the places of cells contradict one another.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    encoding: Annotated[str, AfterValidator(_encoding)]
    delimiter: Annotated[str, Field(min_length=1)]
    cells: Annotated[list[CellPlace], Field(min_length=1)] | None = None
    cells_touch: bool = False
    decimal_sign: Literal[".", ",", "proven"]
    thousands_sign: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    digit_groups: Literal["threes", "indian"] = "threes"
    minus_sign: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    exponent_sign: Literal["D"] | None = None
    full_width_digits: bool = False
    quote: Literal['"', "'"] | None = None
    missing: list[str] = []
    delimiter_at_line_end: bool = False
    last_line_may_lack_newline: bool = False

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        self._cells_have_places()
        self._signs_differ()
        self._numbers_have_signs_of_their_own()
        if "" in self.missing and self.delimiter == "spaces":
            raise ValueError("no empty missing word where spaces part the cells")
        if any(word != word.strip() for word in self.missing):
            raise ValueError("missing words without blanks around them")
        return self

    def _signs_differ(self) -> None:
        mark, thousands = self.separator, self.thousands_sign
        if re.search(r"[0-9eE+\-\r\n]", mark) or (self.quote and self.quote in mark):
            raise ValueError("a delimiter that cannot be part of a number, a quote or a line end")
        if mark == self.decimal_sign and not self.quote:
            raise ValueError("a delimiter that is not the decimal sign, unless cells are quoted")
        if len(mark) > 1 and self.quote:
            raise ValueError("a delimiter of one character where cells are quoted")
        if thousands and (thousands == self.decimal_sign or re.match(r"[0-9eE+\-]", thousands)):
            raise ValueError("a thousands sign that cannot be another part of a number")
        if thousands and thousands == self.quote:
            raise ValueError("a thousands sign that is not the quote")
        if thousands == mark and not self.quote:
            raise ValueError("a thousands sign that is not the delimiter, unless cells are quoted")

    def _numbers_have_signs_of_their_own(self) -> None:
        if self.digit_groups != "threes" and self.thousands_sign is None:
            raise ValueError("a thousands_sign where digit_groups is said")
        if self.thousands_sign and self.thousands_sign in ".," and self.decimal_sign == PROVEN:
            raise ValueError("a decimal_sign where the thousands_sign is a point or a comma")
        if self.minus_sign is not None and self.minus_sign not in OTHER_MINUS_SIGNS:
            names = ", ".join(f"U+{ord(sign):04X}" for sign in OTHER_MINUS_SIGNS)
            raise ValueError(f"a minus_sign that is one of {names}; - and U+2212 are known already")
        if self.minus_sign is not None and self.minus_sign in self.separator:
            raise ValueError("a minus_sign that is not in the delimiter")
        if self.exponent_sign is not None and self.exponent_sign in self.separator.upper():
            raise ValueError("an exponent_sign that is not in the delimiter")

    def _cells_have_places(self) -> None:
        if self.is_fixed != (self.cells is not None):
            raise ValueError("delimiter = 'fixed' and the places of the cells, or neither")
        if not self.is_fixed and self.cells_touch:
            raise ValueError("cells_touch only where the delimiter is 'fixed'")
        if self.is_fixed and (self.quote or self.delimiter_at_line_end):
            raise ValueError("no quote and no delimiter at the line's end where it is 'fixed'")
        if self.is_fixed and self.thousands_sign == " ":
            # a place that cuts a number at such a blank would not show
            raise ValueError("a thousands_sign that is no blank where the delimiter is 'fixed'")
        stop = 0
        for first, last in self.cells or ():
            if not stop < first <= last:
                raise ValueError("cells from left to right, each as [first, last] character")
            stop = last

    @property
    def is_fixed(self) -> bool:
        """Whether cells stand at fixed places instead of between delimiters."""
        return self.delimiter == "fixed"

    @property
    def separator(self) -> str:
        """The text between two cells; one space stands for a run of them."""
        return {"tab": "\t", "spaces": " ", "fixed": " "}.get(self.delimiter, self.delimiter)
