"""The AnIML core schema 0.90 in a notation of our own, to check the files that the tests write.

Elements, attributes, their order and number, and the types of values are those of the public core
schema (repository AnIML/schemas, file animl-core.xsd, version 0.90). Its keys and the length of
texts are left out. A line is: element, attributes (``!`` required), and then children in order
(``?`` once at most, ``*`` any number, ``+`` one or more), or the type of its text.
"""

from functools import cache
from typing import Any

from lxml import etree

CORE = "urn:org:astm:animl:schema:core:draft:0.90"
_RNG = "http://relaxng.org/ns/structure/1.0"
_TYPES = "http://www.w3.org/2001/XMLSchema-datatypes"

_ITEM = "id:ID"
_NAMED = "id:ID name!"
_USE = "role! {}!produced|consumed"
_SET = "startIndex:nonNegativeInteger endIndex:nonNegativeInteger"
_KINDS = "Int32|Int64|Float32|Float64|String|Boolean|DateTime|EmbeddedXML|PNG|SVG"
_STEP = "TagSet? Technique? Infrastructure? Method? Result*"
_ANY = "(I L F D S Boolean DateTime PNG EmbeddedXML SVG)"
_NUMBER = "(I L F D)"

ELEMENTS = f"""
AnIML [version!0.90] SampleSet? ExperimentStepSet? AuditTrailEntrySet? SignatureSet?
SampleSet [{_ITEM}] Sample+
Sample [{_NAMED} sampleID! barcode comment derived:boolean containerType containerID \
locationInContainer sourceDataLocation] TagSet? Category*
ExperimentStepSet [{_ITEM}] Template* ExperimentStep+
ExperimentStep [{_NAMED} experimentStepID! templateUsed comment sourceDataLocation] {_STEP}
Template [{_NAMED} templateID! sourceDataLocation] {_STEP}
TagSet [] Tag*
Tag [name! value]
Technique [{_NAMED} uri! sha256] Extension*
Extension [uri! name! sha256]
Infrastructure [{_ITEM}] SampleReferenceSet? ParentDataPointReferenceSet? \
ExperimentDataReferenceSet? Timestamp?
Timestamp [] =dateTime
SampleReferenceSet [{_ITEM}] SampleReference* SampleInheritance*
SampleReference [{_ITEM} sampleID! {_USE.format("samplePurpose")}]
SampleInheritance [{_ITEM} {_USE.format("samplePurpose")}]
ParentDataPointReferenceSet [] ParentDataPointReference+
ParentDataPointReference [{_ITEM} seriesID!] StartValue EndValue?
ExperimentDataReferenceSet [{_ITEM}] ExperimentDataReference* ExperimentDataBulkReference*
ExperimentDataReference [{_ITEM} experimentStepID! {_USE.format("dataPurpose")}]
ExperimentDataBulkReference [{_ITEM} experimentStepIDPrefix! {_USE.format("dataPurpose")}]
Method [{_ITEM} name] Author? Device? Software? Category*
Author [userType!human|device|software] Name Affiliation? Role? Email? Phone? Location?
Device [] DeviceIdentifier? Manufacturer? Name FirmwareVersion? SerialNumber?
Software [] Manufacturer? Name Version? OperatingSystem?
Category [{_NAMED}] Parameter* SeriesSet* Category*
Parameter [{_NAMED} parameterType!{_KINDS}] {_ANY} Unit?
Result [{_NAMED}] SeriesSet? Category* ExperimentStepSet?
SeriesSet [{_NAMED} length!:nonNegativeInteger] Series+
Series [{_NAMED} dependency!independent|dependent seriesID! visible:boolean plotScale \
seriesType!{_KINDS}] (IndividualValueSet+ EncodedValueSet+ AutoIncrementedValueSet+)? Unit?
IndividualValueSet [{_SET}] {_ANY}+
EncodedValueSet [{_SET}] =base64Binary
AutoIncrementedValueSet [{_SET}] StartValue Increment
StartValue [] {_NUMBER}
EndValue [] {_NUMBER}
Increment [] {_NUMBER}
Unit [label! quantity] SIUnit*
SIUnit [factor:double exponent:double offset:double] =token
AuditTrailEntrySet [{_ITEM}] AuditTrailEntry*
AuditTrailEntry [{_ITEM}] Timestamp Author Software? Action Reason? Comment? Diff* Reference*
I [] =int
L [] =long
F [] =float
D [] =double
Boolean [] =boolean
DateTime [] =dateTime
PNG [] =base64Binary
"""
_TEXTS = (
    "S EmbeddedXML SVG Name Affiliation Role Email Phone Location DeviceIdentifier Manufacturer "
    "FirmwareVersion SerialNumber Version OperatingSystem Action Reason Comment Diff Reference "
    "SignatureSet"
)


def _node(tag: str, *inner: Any, **attributes: str) -> Any:
    node = etree.Element(f"{{{_RNG}}}{tag}", attributes)
    node.extend(inner)
    return node


def _attribute(said: str) -> Any:
    name, _, kind = said.partition(":")
    name, required, choice = name.partition("!")
    if kind:
        content = _node("data", type=kind)
    elif choice:
        content = _node("choice", *(_value(each) for each in choice.split("|")))
    else:
        content = _node("text")
    attribute = _node("attribute", content, name=name, ns="")
    return attribute if required else _node("optional", attribute)


def _value(text: str) -> Any:
    value = _node("value")
    value.text = text
    return value


_NUMBERS = {"?": "optional", "*": "zeroOrMore", "+": "oneOrMore"}


def _child(said: str) -> Any:
    node = _node("ref", name=said.rstrip("?*+"))
    return _node(_NUMBERS[said[-1]], node) if said[-1] in _NUMBERS else node


def _children(said: str) -> list[Any]:
    nodes: list[Any] = []
    while said := said.strip():
        if said.startswith("("):
            inner, _, rest = said[1:].partition(")")
            node = _node("choice", *map(_child, inner.split()))
            if rest[:1] in _NUMBERS and rest:
                node, rest = _node(_NUMBERS[rest[0]], node), rest[1:]
            nodes.append(node)
            said = rest
        else:
            first, _, said = said.partition(" ")
            nodes.append(_child(first))
    return nodes


def _element(line: str) -> Any:
    name, _, rest = line.partition(" [")
    attributes, _, content = rest.partition("]")
    content = content.strip()
    inner = [_node("data", type=content[1:])] if content[:1] == "=" else _children(content)
    said = [_attribute(each) for each in attributes.split()]
    body = [*said, *inner] or [_node("empty")]
    return _node("define", _node("element", *body, name=name), name=name)


@cache
def schema() -> etree.RelaxNG:
    """The schema as a validator."""
    lines = [line for line in ELEMENTS.strip().split("\n") if line]
    texts = [
        _node("define", _node("element", _node("text"), name=name), name=name)
        for name in _TEXTS.split()
    ]
    start = _node("start", _node("ref", name="AnIML"))
    grammar = _node("grammar", start, *map(_element, lines), *texts, datatypeLibrary=_TYPES)
    grammar.set("ns", CORE)
    return etree.RelaxNG(grammar)


def problems(content: bytes) -> list[str]:
    """What a file breaks of the schema, in words; empty where it is valid."""
    document = etree.fromstring(content)
    # an empty xsi:schemaLocation or the like is not written by these tests
    if schema().validate(document):
        return []
    return [f"line {entry.line}: {entry.message}" for entry in schema().error_log]
