"""An AnIML file walked result by result: a long one needs no more memory than a short one."""

from collections.abc import Iterator
from typing import Any

from speclake_plugins.animl.header import Header
from speclake_plugins.animl.steps import Step, read_head, sample_header
from speclake_plugins.animl.where import NAMESPACE, Element, Where, attribute, children, local_name

from speclake.importing.interface import Source

_ROOT = ("SampleSet", "ExperimentStepSet", "AuditTrailEntrySet", "SignatureSet")
_RESULT = ("SeriesSet", "Category", "ExperimentStepSet")
_CHUNK_BYTES = 1 << 20
_LONGEST_MESSAGE = 200
_WATCHED = (
    "AnIML", "Sample", "Template", "ExperimentStep", "ExperimentStepSet", "Result",
    "AuditTrailEntry",
)  # fmt: skip


def results(source: Source) -> Iterator[tuple[Step, int, Element]]:
    """Each result of a file with its step and its number within the step.

    A result is given when its series and parameters are complete; steps within it come after it.
    Its element is emptied as soon as the next one is asked for.

    Raises
    ------
    speclake.errors.MalformedFile
        The file is no well-formed XML, or breaks the core schema.
    """
    from lxml import etree

    walk = _Walk(Where(source.name))
    # no entity is resolved, no other file or address opened, and no size is unbounded
    events = etree.iterparse(
        source.open(),
        events=("start", "end"),
        tag=[f"{{{NAMESPACE}}}{name}" for name in _WATCHED],
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
        collect_ids=False,
    )
    while (event := _next(events, etree.XMLSyntaxError, walk.where)) is not None:
        kind, element = event
        yield from walk.started(element) if kind == "start" else walk.ended(element)


_SIGNED = tuple("SignatureSet".encode(encoding) for encoding in ("utf-8", "utf-16-le", "utf-16-be"))


def is_signed(source: Source) -> bool:
    """Whether a file names a set of signatures; it stands behind all results."""
    stream, tail = source.open(), b""
    while chunk := stream.read(_CHUNK_BYTES):
        window = tail + chunk
        if any(mark in window for mark in _SIGNED):
            return True
        tail = window[-max(map(len, _SIGNED)) :]
    return False


def _next(events: Any, syntax_error: type[Exception], where: Where) -> tuple[str, Element] | None:
    try:
        return next(events, None)
    except syntax_error as error:
        entries = list(events.error_log)
        line, said = (entries[0].line, entries[0].message) if entries else (0, str(error))
        raise where.at(f"line {line}" if line else "").refusal(
            said[:_LONGEST_MESSAGE], "well-formed XML to the end of the file"
        ) from error


class _Walk:
    """What is open while the file goes by."""

    def __init__(self, where: Where) -> None:
        self.where = where
        self._samples: dict[str, Header] = {}
        self._templates: dict[str, Step] = {}
        self._open: list[Step] = []
        self._given: list[bool] = []  # of each open result, whether it was given already
        self._step_ids: set[str] = set()
        self._in_template = 0

    def started(self, element: Element) -> Iterator[tuple[Step, int, Element]]:
        """Results that are complete when this element begins."""
        name = local_name(element)
        if name == "Template":
            self._in_template += 1
        if self._in_template:
            return
        if name == "ExperimentStep":
            self._must_stand_in(element, "ExperimentStepSet")
            self._begin_step(element)
        elif name == "Result":
            self._must_stand_in(element, "ExperimentStep")
            self._begin_result(element)
        elif name == "ExperimentStepSet":
            self._must_stand_in(element, "AnIML", "Result")
            if self._given:
                yield from self._give(element.getparent())

    def ended(self, element: Element) -> Iterator[tuple[Step, int, Element]]:
        """Results that are complete when this element ends."""
        name = local_name(element)
        if name == "Template":
            self._in_template -= 1
            if not self._in_template:
                self._end_template(element)
        if self._in_template:
            return
        if name == "Sample":
            self._must_stand_in(element, "SampleSet")
            self._end_sample(element)
        elif name == "Result":
            yield from self._give(element)
            children(element, _RESULT, self._open[-1].where, once=("SeriesSet", _RESULT[2]))
            self._given.pop()
            _drop(
                element, ("TagSet", "Technique", "Infrastructure", "Method", "Result"), self.where
            )
        elif name == "ExperimentStep":
            self._end_step(element)
        elif name == "AuditTrailEntry":
            _drop(element, ("AuditTrailEntry",), self.where)
        elif name == "AnIML":
            children(element, _ROOT, self.where, once=_ROOT)

    def _must_stand_in(self, element: Element, *names: str) -> None:
        parent = element.getparent()
        around = "no element" if parent is None else local_name(parent)
        if around not in names:
            found = f"{local_name(element)} in {around}"
            raise self.where.refusal(found, f"it in {' or '.join(names)}", element)

    def _begin_step(self, element: Element) -> None:
        step_id = attribute(element, "experimentStepID", self.where)
        where = self.where.at(f"step {step_id}")
        if step_id in self._step_ids:
            raise where.refusal("a second step of this ID", "one ID a step", element)
        self._step_ids.add(step_id)
        parents = tuple(step.id for step in reversed(self._open))
        self._open.append(Step(step_id, where, parents))

    def _begin_result(self, element: Element) -> None:
        step = self._open[-1]
        before = element.getparent()
        assert before is not None  # _must_stand_in has looked
        if step.results == 0:
            # what follows may be in the tree already, since the parser is ahead of its events
            head = list(element.itersiblings(preceding=True))[::-1]
            self._read_head(step, before, head)
        else:
            previous = element.getprevious()
            if previous is None or local_name(previous) != "Result":
                raise step.where.refusal("an element between results", "results only", element)
        step.results += 1
        self._given.append(False)

    def _read_head(self, step: Step, element: Element, head: list[Element]) -> None:
        parent = self._open[-2] if len(self._open) > 1 else None
        read_head(step, element, head, self._samples, self._templates, parent)

    def _give(self, result: Element | None) -> Iterator[tuple[Step, int, Element]]:
        if self._given[-1] or result is None:
            return
        self._given[-1] = True
        step = self._open[-1]
        children(result, _RESULT, step.where, once=("SeriesSet", "ExperimentStepSet"))
        yield step, step.results, result
        for part in result:
            if local_name(part) != "ExperimentStepSet":
                part.clear()

    def _end_step(self, element: Element) -> None:
        step = self._open.pop()
        if not step.has_head:
            children(element, ("TagSet", "Technique", "Infrastructure", "Method"), step.where)
        elif (last := element[-1]) is not None and local_name(last) != "Result":
            raise step.where.refusal(f"{local_name(last)} behind the results", "nothing", last)
        _drop(element, ("Template", "ExperimentStep"), self.where)

    def _end_sample(self, element: Element) -> None:
        sample_id, header = sample_header(element, self.where)
        if sample_id in self._samples:
            raise self.where.refusal(f"a second sample {sample_id!r}", "one ID a sample", element)
        self._samples[sample_id] = header
        _drop(element, ("Sample",), self.where)

    def _end_template(self, element: Element) -> None:
        template_id = attribute(element, "templateID", self.where)
        template = Step(template_id, self.where.at(f"template {template_id}"))
        head = [each for each in element if local_name(each) != "Result"]
        read_head(template, element, head, self._samples, {}, None)
        self._templates[template_id] = template
        _drop(element, ("Template", "ExperimentStep"), self.where)


def _drop(element: Element, names: tuple[str, ...], where: Where) -> None:
    """Empty an element and take its elder siblings, which are such, out of the tree."""
    element.clear()
    parent = element.getparent()
    while parent is not None and (elder := element.getprevious()) is not None:
        if local_name(elder) not in names:
            found = f"{local_name(elder)!r} in {local_name(parent)}"
            raise where.refusal(found, f"{' or '.join(names)}, as in the core schema", elder)
        parent.remove(elder)
