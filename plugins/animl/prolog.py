"""The beginning of an XML file, looked at before anything in it can do harm."""

from dataclasses import dataclass
from typing import BinaryIO
from xml.parsers import expat

_CHUNK_BYTES = 65_536
_MOST_BYTES = 1 << 20
_NAME_END = "|"


@dataclass(frozen=True)
class Root:
    """The root element of a file.

    Parameters
    ----------
    namespace, name, version : of the root element; its attribute ``version`` where it has one.
    """

    namespace: str
    name: str
    version: str | None


class NotXml(Exception):
    """What is wrong at the beginning of a file; the arguments are place, found and expected."""


class _Reached(Exception):
    """Ends the parser at the first thing that tells what the file is."""


def root_of(stream: BinaryIO) -> Root:
    """Root element of an XML file; nothing behind its start tag is looked at.

    Raises
    ------
    NotXml
        The file is no XML, or has a document type declaration.
    """
    parser = expat.ParserCreate(namespace_separator=_NAME_END)
    parser.StartElementHandler = _element
    parser.StartDoctypeDeclHandler = _doctype
    try:
        while stream.tell() < _MOST_BYTES and (chunk := stream.read(_CHUNK_BYTES)):
            parser.Parse(chunk, False)
        parser.Parse(b"", True)
    except _Reached as reached:
        (found,) = reached.args
        if isinstance(found, Root):
            return found
        raise NotXml(
            f"line {parser.CurrentLineNumber}", "a document type declaration", "none in AnIML"
        ) from reached
    except expat.ExpatError as error:
        said = expat.ErrorString(error.code) or "no XML"
        raise NotXml(f"line {error.lineno}", said, "an XML document") from error
    except (ValueError, LookupError) as error:  # an encoding that Python does not have
        raise NotXml("line 1", str(error), "an encoding such as UTF-8") from error
    raise NotXml("", "no root element", "an XML document")


def _element(name: str, attributes: dict[str, str]) -> None:
    namespace, _, local = name.rpartition(_NAME_END)
    raise _Reached(Root(namespace, local, attributes.get("version")))


def _doctype(*_: object) -> None:
    raise _Reached(None)
