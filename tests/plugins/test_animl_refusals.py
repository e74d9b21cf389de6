"""What the AnIML importer refuses, and that the refusal says where and why."""

import sys
import tracemalloc
from itertools import pairwise

import pytest
from speclake_plugins.animl import AnimlImporter

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Source
from tests.plugins.animl_files import (
    CORE,
    PERCENT_T,
    axis,
    document,
    individual,
    packed,
    read,
    refusal,
    result,
    series,
    spectrum,
    step,
    steps,
)

Y = series(individual((1, 2, 3)), PERCENT_T)


MICROMETRES_AS_NM = '<Unit label="nm"><SIUnit factor="1e-6">m</SIUnit></Unit>'


def on(x: str, **named: object) -> bytes:
    return document(step(result(axis(x), Y, **named)))


def sets(*value_sets: str, kind: str = "Float64") -> bytes:
    return spectrum("".join(value_sets), kind=kind)


def cells(*texts: str, kind: str = "Float64") -> bytes:
    return sets(individual((*texts, 1, 2)[:3], kind), kind=kind)


REFUSED = {
    "fewer values than the length": (sets(individual((1, 2))), "2 values from index 0"),
    "more values than the length": (sets(individual((1, 2, 3, 4))), "4 values from index 0"),
    "fewer encoded than the length": (sets(packed((1, 2))), "2 values from index 0"),
    "no values at all": (sets(" "), "no values"),
    "an empty value set": (sets(individual(())), "0 values"),
    "an end that differs from the count": (
        sets(individual((1, 2), startIndex=0, endIndex=2)),
        "2 values from index 0",
    ),
    "an end beyond the length": (
        sets(individual((1, 2), startIndex=2, endIndex=3)),
        "a value set from index 2 to 3",
    ),
    "an end before the start": (
        sets(steps(1, 1, startIndex=2, endIndex=1)),
        "a value set from index 2 to 1",
    ),
    "an index that is none": (sets(individual((1,), startIndex="-1")), "startIndex '-1'"),
    "several sets without an index": (
        sets(individual((1, 2)), individual((3,))),
        "one of several IndividualValueSet without startIndex",
    ),
    "value sets that overlap": (
        sets(individual((1, 2), startIndex=0), individual((3, 4), startIndex=1)),
        "a second value for index 1",
    ),
    "value sets of two kinds": (
        sets(individual((1,), startIndex=0), packed((3, 4), startIndex=1)),
        "EncodedValueSet and IndividualValueSet",
    ),
    "bytes that do not divide": (
        sets("<EncodedValueSet>AAAA</EncodedValueSet>"),
        "3 encoded bytes",
    ),
    "no base64": (sets("<EncodedValueSet>A*AA</EncodedValueSet>"), "which is no base64"),
    "base64 without its end": (sets("<EncodedValueSet>AAA</EncodedValueSet>"), "no base64"),
    "base64 with bits left over": (sets("<EncodedValueSet>AB==</EncodedValueSet>"), "no base64"),
    "base64 beyond ASCII": (sets("<EncodedValueSet>\u0141</EncodedValueSet>"), "no base64"),
    "an element in base64": (sets("<EncodedValueSet><D>1</D></EncodedValueSet>"), "an element"),
    "an infinite value": (cells("INF"), "'INF'"),
    "an infinite encoded value": (sets(packed((1, float("inf"), 2))), "an infinite encoded"),
    "a value beyond float64": (cells("1e999"), "'1e999'"),
    "Python's infinity": (cells("inf"), "'inf'"),
    "Python's nan": (cells("nan"), "'nan'"),
    "a decimal comma": (cells("1,5"), "'1,5'"),
    "an underscore": (cells("1_0"), "'1_0'"),
    "digits of another script": (cells("\u0661"), "'\u0661'"),
    "an empty value": (cells(""), "''"),
    "a number of a thousand digits": (cells("1" * 1000), "..."),
    "a fraction in an integer": (cells("1.5", kind="Int32"), "'1.5'"),
    "an integer of more bits": (cells("2147483648", kind="Int32"), "'2147483648'"),
    "an integer that float64 rounds": (
        cells("9007199254740993", kind="Int64"),
        "'9007199254740993'",
    ),
    "an encoded integer that float64 rounds": (
        sets(packed((2**53 + 1, 1, 1), "Int64"), kind="Int64"),
        "an encoded integer beyond 2^53",
    ),
    "text between values": (sets(individual((1, 2, 3)).replace("</D><D>2", "</D>x<D>2")), "'x'"),
    "an element in a number": (cells("1<D>2</D>"), "an element within a number"),
    "a value that is a text": (
        sets("<IndividualValueSet><S>1</S></IndividualValueSet>"),
        "'S' in IndividualValueSet",
    ),
    "a value without a value set": (sets("<D>1</D><D>2</D><D>3</D>"), "'D' in Series"),
    "a position that repeats": (on(individual((400, 400, 401))), "400 at index 0 and then 400"),
    "a position that turns back": (on(individual((400, 402, 401))), "402 at index 1"),
    "a missing position": (on(individual((400, "NaN", 402))), "no position at index 1"),
    "an axis with a gap": (on(individual((400,), startIndex=0, endIndex=0)), "index 1"),
    "an axis that stands still": (on(steps(400, 0)), "400 at index 0 and then 400"),
    "an infinite increment": (on(steps(400, "INF")), "'INF'"),
    "an increment beyond float64": (on(steps("1e308", "1e308")), "3 increments"),
    "a start without an increment": (
        on("<AutoIncrementedValueSet><StartValue><D>1</D></StartValue></AutoIncrementedValueSet>"),
        "1 of StartValue and Increment",
    ),
    "two numbers in a start": (on(steps("1</D><D>2", 1)), "2 elements in StartValue"),
    "a length that is none": (on("", length="three"), "length 'three'"),
    "a negative length": (on("", length="-3"), "length '-3'"),
    "a length of a billion points": (on(steps(1, 1), length="2000000000"), "2000000000 points"),
    "a length beyond 32 bits": (on("", length=str(2**31)), "length '2147483648'"),
    "two series of one ID": (document(step(result(axis(id="y"), Y))), "a second series 'y'"),
    "two steps of one ID": (document(step(result(axis(), Y)) * 2), "a second step of this ID"),
    "a step without ID": (document(step(result(axis(), Y), id="")), "without the attribute exp"),
    "an unknown type": (spectrum(kind="Float64").replace(b'"Float64"', b'"Float"'), "'Float'"),
    "an unknown dependency": (spectrum().replace(b'"dependent"', b'"free"'), "'free'"),
    "a misspelt element": (
        spectrum().replace(b"<Unit ", b"<unit ").replace(b"</Unit", b"</unit"),
        "'unit'",
    ),
    "a method behind the result": (
        document(step(result(axis(), Y) + "<Method/>")),
        "Method behind the results",
    ),
    "a method between results": (
        document(step(result(axis(), Y) + "<Method/>" + result(axis(), Y))),
        "an element between results",
    ),
    "a misspelt part of the device": (
        document(step(result(axis(), Y), head="<Method><Device><Nam>b</Nam></Device></Method>")),
        "'Nam' in Device",
    ),
    "two series sets": (
        document(step(result(axis(), Y, after='<SeriesSet name="b" length="1"/>'))),
        "'SeriesSet' in Result",
    ),
    "a result outside a step": (document(result(axis(), Y)), "Result in ExperimentStepSet"),
    "a unit factor that is no number": (
        spectrum(unit='<Unit label="percentT"><SIUnit factor="x">1</SIUnit></Unit>'),
        "factor 'x'",
    ),
    "an axis that contradicts itself": (
        document(step(result(axis(unit=MICROMETRES_AS_NM), Y))),
        "the label 'nm' with an SI definition of um",
    ),
    "picometres": (
        document(step(result(axis(unit='<Unit label="pm"/>'), Y))),
        "'Wavelength' (pm): no axis of light",
    ),
    "another version": (document(version="1.0"), "version '1.0'"),
    "another namespace": (document(core=CORE.replace("0.90", "1.0")), "draft:1.0"),
    "no namespace": (document(core=""), "in the namespace ''"),
    "another root": (b"<SampleSet/>", "the root element 'SampleSet'"),
    "nothing": (b"", "no element found"),
    "a file cut short": (spectrum()[:-20], ""),
    "a file cut short in a tag": (spectrum()[:-2], ""),
    "something behind the root": (spectrum() + b"<AnIML/>", "Extra content"),
    "an undefined entity": (cells("&nothing;"), "nothing"),
    "an unknown encoding": (
        spectrum().replace(b"UTF-8", b"x-nothing"),
        "x-nothing",
    ),
    "a byte that is no UTF-8": (spectrum().replace(b"scan s1", b"scan \xff"), ""),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_cannot_be_read_without_guessing_is_refused(name: str):
    content, found = REFUSED[name]
    refused = refusal(content)
    assert found in refused.found
    assert refused.found
    assert refused.expected
    assert len(str(refused)) < 600


def test_a_refusal_names_line_step_and_series():
    refused = refusal(cells("x"))
    assert refused.place == "line 19, step s1, result 1, series y"
    assert (refused.found, refused.expected) == ("'x'", "a number in <D>")


BOMB = (
    '<?xml version="1.0"?>\n<!DOCTYPE AnIML [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in pairwise("abcdefghi"))
    + f']>\n<AnIML xmlns="{CORE}" version="&i;"><SampleSet/></AnIML>'
)  # fmt: skip
OUTSIDE = (
    '<?xml version="1.0"?><!DOCTYPE AnIML [<!ENTITY x SYSTEM "file:///etc/hostname">]>'
    f'<AnIML xmlns="{CORE}" version="0.90"><SampleSet>&x;</SampleSet></AnIML>'
)
HARMFUL = {
    "a bomb of entities": BOMB.encode(),
    "a bomb in UTF-16": BOMB.replace("?>", ' encoding="UTF-16"?>', 1).encode("utf-16"),
    "an entity from outside": OUTSIDE.encode(),
    "a type definition from outside": (
        f'<!DOCTYPE AnIML SYSTEM "http://invented.invalid/a.dtd"><AnIML xmlns="{CORE}"/>'
    ).encode(),
    "an empty type definition": spectrum().replace(b"<AnIML", b"<!DOCTYPE AnIML><AnIML", 1),
    "steps a hundred thousand deep": document(
        "<ExperimentStep><Result><ExperimentStepSet>" * 100_000
    ),
    "categories a hundred thousand deep": document(
        step('<Method><Category name="c">' + '<Category name="c">' * 100_000)
    ),
    "categories a thousand deep": document(
        step(
            result(
                axis(),
                Y,
                after='<Category name="c">' * 1000 + "</Category>" * 1000,
            )
        )
    ),
    "a million attributes": spectrum().replace(
        b"<Result ", b"<Result " + b" ".join(b'a%d="1"' % i for i in range(1_000_000)) + b" "
    ),
    "a million attributes of the root": (
        f'<AnIML xmlns="{CORE}" '.encode()
        + b" ".join(b'a%d="1"' % i for i in range(1_000_000))
        + b"/>"
    ),
    "a name of twenty million letters": document("<" + "a" * 20_000_000 + "/>"),
    "a text of twenty million signs": cells("1" * 20_000_000),
    "a comment that never ends": spectrum()[:-20] + b"<!--" + b"-a" * 5_000_000,
    "a thousand long series": document(
        step(
            result(
                axis(steps(1, 1)),
                *(series(steps(1, 1), PERCENT_T, id=f"y{i}") for i in range(1000)),
                length=4_000_000,
            )
        )
    ),
    "a long header with every spectrum": document(
        step(
            result(axis(), *(series(individual((1, 2, 3)), PERCENT_T, id=f"y{i}")
                             for i in range(2000))),
            head='<Method><Category name="c">'
            + "".join(
                f'<Parameter name="p{i}" parameterType="String"><S>{"x" * 50}</S></Parameter>'
                for i in range(20_000)
            )
            + "</Category></Method>",
        )
    ),
}  # fmt: skip


@pytest.mark.timeout(30)
@pytest.mark.parametrize("name", HARMFUL)
def test_a_file_that_means_harm_is_refused_with_little_memory(name: str):
    content = HARMFUL[name]
    tracemalloc.start()
    try:
        message = str(refusal(content))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert len(message) < 600
    assert peak < 300e6 + 4 * len(content)
    assert AnimlImporter().sniff(Source("x", content[:65_536])).confidence in Confidence


@pytest.mark.parametrize("name", [name for name in HARMFUL if "entit" in name or "defin" in name])
def test_a_document_type_is_refused_before_it_is_read(name: str):
    refused = refusal(HARMFUL[name])
    assert refused.found == "a document type declaration"


def test_without_lxml_the_refusal_names_the_extra(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "lxml", None)
    monkeypatch.delitem(sys.modules, "lxml.etree", raising=False)
    refused = refusal(spectrum())
    assert 'pip install "speclake[animl]"' in refused.expected
    guess = AnimlImporter().sniff(Source("scan.animl", spectrum()))
    assert guess.confidence is Confidence.CERTAIN


@pytest.mark.parametrize(
    ("content", "confidence"),
    [
        (spectrum(), Confidence.CERTAIN),
        (spectrum()[:150], Confidence.CERTAIN),
        (b"\xef\xbb\xbf" + spectrum(), Confidence.CERTAIN),
        (spectrum().decode().replace("UTF-8", "UTF-16").encode("utf-16"), Confidence.CERTAIN),
        (b"<!-- a scan -->" + spectrum().split(b"?>")[1], Confidence.CERTAIN),
        (f'<a:AnIML xmlns:a="{CORE}"/>'.encode(), Confidence.CERTAIN),
        (document(core="urn:another"), Confidence.LIKELY),
        (b"<svg/>", Confidence.NO),
        (b"##TITLE= x\n", Confidence.NO),
        (b"", Confidence.NO),
        (b"<AnIML", Confidence.NO),
        (bytes(range(256)), Confidence.NO),
    ],
)
def test_sniffing_goes_by_the_root_element(content: bytes, confidence: Confidence):
    guess = AnimlImporter().sniff(Source("scan.xml", content))
    assert guess.confidence is confidence
    assert guess.reason


def test_the_format_that_recognises_a_file_is_reported_and_two_of_them_refuse_it():
    one = {"importer": "animl", "recognise": {"file_name": "*.animl"}}
    source = Source("scan.animl", spectrum(), {"bench": one})
    assert AnimlImporter().sniff(source).format == "bench"
    both = Source("scan.animl", spectrum(), {"bench": one, "other": one})
    with pytest.raises(MalformedFile, match="'bench' and 'other'"):
        list(AnimlImporter().read(both))


def test_any_prefix_of_the_namespace_is_read_alike():
    plain = spectrum().decode()
    prefixed = plain.replace("</", "</a:").replace("<", "<a:").replace("<a:/a:", "</a:")
    prefixed = prefixed.replace("<a:?", "<?").replace(' xmlns="', ' xmlns:a="')
    (found,) = read(prefixed.encode())
    assert found.header == read(plain.encode())[0].header
