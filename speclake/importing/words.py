"""Words of headers and titles in several languages, compared without accents and case."""

import re
import tomllib
import unicodedata
from collections.abc import Iterator, Sequence
from functools import cache
from importlib import resources

_WITHOUT_STROKE = {"ø": "o", "ł": "l", "đ": "d", "ı": "i"}
"""Letters that Unicode does not take apart."""


def folded(text: str) -> str:
    """Text in lower case without accents, character for character, so that positions stay."""
    return "".join(
        _WITHOUT_STROKE.get(c.lower(), unicodedata.normalize("NFKD", c.lower())[0]) for c in text
    )


def plain(name: str) -> str:
    """Name of an entry as words alone: ``SampleName [mm]`` becomes ``sample name mm``."""
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return re.sub(r"[\W_]+", " ", folded(apart)).strip()


@cache
def _tables() -> dict[str, dict[str, list[str]]]:
    text = resources.files(__package__).joinpath("words.toml").read_text("utf-8")
    return tomllib.loads(text)


@cache
def words_of(table: str, key: str) -> tuple[str, ...]:
    """Words of a table of ``words.toml``, folded."""
    return tuple(map(folded, _tables()[table][key]))


def keys_of(table: str) -> Sequence[str]:
    """Keys of a table of ``words.toml``."""
    return list(_tables()[table])


def field_of(name: str, table: str = "fields") -> str | None:
    """Field that a header entry of this name states; None for any other.

    Parameters
    ----------
    table : ``fields``, or ``perhaps`` for names that some exports use otherwise.
    """
    for form in _forms(plain(name)):
        for field in keys_of(table):
            if form in words_of(table, field):
                return field
    return None


def _forms(name: str) -> Iterator[str]:
    """The name, and the name without what may stand behind it."""
    yield name
    words, characters = words_of("endings", "words"), words_of("endings", "characters")
    while True:
        head, _, last = name.rpartition(" ")
        if head and last in words:
            name = head
        elif end := next((c for c in characters if name.endswith(c) and name != c), None):
            name = name.removesuffix(end).strip()
        else:
            return
        yield name


def is_among(name: str, table: str) -> bool:
    """Whether a name is one of the words of a table."""
    return plain(name) in words_of(table, "words")


def has_stem(name: str, table: str, key: str) -> bool:
    """Whether a word of the name begins like one of the table's; in Chinese, holds it."""
    text = plain(name)
    return any(
        stem in text if not stem.isascii() else any(w.startswith(stem) for w in text.split())
        for stem in words_of(table, key)
    )


def find_words(text: str, table: str, key: str) -> re.Match[str] | None:
    """The longest word of a table that stands in a text on its own."""
    for word in sorted(words_of(table, key), key=len, reverse=True):
        # Chinese and Japanese put no blanks between words
        edges = (r"(?<![^\W_])", r"(?![^\W_])") if word.isascii() else ("", "")
        if match := re.search(edges[0] + re.escape(word) + edges[1], folded(text)):
            return match
    return None
