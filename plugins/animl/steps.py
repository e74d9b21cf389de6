"""What stands in a step before its results: sample, technique, method, time and references."""

from dataclasses import dataclass, field

from speclake_plugins.animl.header import (
    Header,
    add_attributes,
    add_category,
    add_tags,
    add_texts,
    flag,
    in_unit,
    keyed,
    scanned,
)
from speclake_plugins.animl.numbers import BadNumber, numbers
from speclake_plugins.animl.valuesets import number_text
from speclake_plugins.animl.where import Element, Where, attribute, children, local_name, shown

OTHER_TECHNIQUES = (
    "raman", "fluorescence", "luminescence", "phosphorescence", "emission", "dichroism",
    "nmr", "mass spec", "interferogram",
)  # fmt: skip
"""Words in the name of a technique whose spectra speclake does not archive."""

_HEAD = ("TagSet", "Technique", "Infrastructure", "Method")
_INFRASTRUCTURE = (
    "SampleReferenceSet", "ParentDataPointReferenceSet", "ExperimentDataReferenceSet", "Timestamp",
)  # fmt: skip
_STEP_ATTRIBUTES = ("name", "experimentStepID", "templateUsed", "comment", "sourceDataLocation")
_SAMPLE_ATTRIBUTES = (
    "name", "sampleID", "barcode", "comment", "derived", "containerType", "containerID",
    "locationInContainer", "sourceDataLocation",
)  # fmt: skip
_TEST_SAMPLE = "Test Sample"
_MOST_NOTES = 20


@dataclass(frozen=True)
class PointReference:
    """Where in an axis of the parent result a step belongs: a position, or a range of them."""

    series_id: str
    start: float
    end: float | None


@dataclass
class Step:
    """A step as far as it is known before its first result.

    Attributes
    ----------
    samples : header of each consumed sample by its role.
    consumed : steps whose data it uses.
    points : where it belongs in the result that it stands in.
    parents : identifiers of the steps around it, the nearest first.
    """

    id: str
    where: Where
    parents: tuple[str, ...] = ()
    header: Header = field(default_factory=Header)
    fields: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    technique: str = ""
    samples: list[tuple[str, Header]] = field(default_factory=list)
    consumed: list[str] = field(default_factory=list)
    points: list[PointReference] = field(default_factory=list)
    results: int = 0
    has_head: bool = False

    def note(self, text: str) -> None:
        """Keep what is not read of the step; beyond the first few, that there is more."""
        if text not in self.notes and len(self.notes) <= _MOST_NOTES:
            is_last = len(self.notes) == _MOST_NOTES
            self.notes.append("more of the step is not read" if is_last else text)

    @property
    def other_technique(self) -> str | None:
        """Name of its technique where that is one whose spectra are not archived."""
        name = self.technique.casefold()
        return self.technique if any(word in name for word in OTHER_TECHNIQUES) else None


def sample_header(sample: Element, where: Where) -> tuple[str, Header]:
    """Identifier of a sample, and its attributes, tags and parameters."""
    sample_id = attribute(sample, "sampleID", where)
    here = where.at(f"sample {sample_id}")
    header = Header()
    add_attributes(header, "", sample, _SAMPLE_ATTRIBUTES)
    for part in children(sample, ("TagSet", "Category"), here, once=("TagSet",)):
        if local_name(part) == "TagSet":
            add_tags(header, "", part, here)
        else:
            add_category(header, "", part, here)
    return sample_id, header


def read_head(
    step: Step,
    element: Element,
    head: list[Element],
    samples: dict[str, Header],
    templates: dict[str, Step],
    parent: Step | None,
) -> None:
    """Fill in what stands before the first result of a step or template.

    Parameters
    ----------
    head : children of the step before its first result.
    samples, templates : those that the file has defined, by identifier.
    parent : the step in whose result this one stands.

    Raises
    ------
    speclake.errors.MalformedFile
        The step breaks the schema, or refers to what is not there.
    """
    step.has_head = True
    add_attributes(step.header, "Step/", element, _STEP_ATTRIBUTES)
    parts = keyed(head, step.where)
    order = [local_name(each) for each in head]
    if order != [name for name in _HEAD if name in parts]:
        expected = f"{', '.join(_HEAD)} in this order before the first Result"
        raise step.where.refusal(" then ".join(order), expected, element)
    if "TagSet" in parts:
        add_tags(step.header, "", parts["TagSet"], step.where)
    if "Technique" in parts:
        _read_technique(step, parts["Technique"])
    if "Infrastructure" in parts:
        _read_infrastructure(step, parts["Infrastructure"], samples, parent)
    if "Method" in parts:
        _read_method(step, parts["Method"])
    if comment := step.header.entries.get("Step/comment"):
        step.fields["comment"] = comment
    _read_template(step, templates)
    _state_method_fields(step)


def _read_technique(step: Step, technique: Element) -> None:
    step.technique = technique.get("name", "")
    add_attributes(step.header, "Technique/", technique, ("name", "uri"))
    for extension in children(technique, ("Extension",), step.where):
        step.header.add("Technique/Extension", extension.get("name", ""))


def _read_infrastructure(
    step: Step, infrastructure: Element, samples: dict[str, Header], parent: Step | None
) -> None:
    found = children(infrastructure, _INFRASTRUCTURE, step.where, once=_INFRASTRUCTURE)
    for name, part in keyed(found, step.where).items():
        if name == "SampleReferenceSet":
            _read_samples(step, part, samples, parent)
        elif name == "ParentDataPointReferenceSet":
            for each in children(part, ("ParentDataPointReference",), step.where):
                _read_point(step, each)
        elif name == "ExperimentDataReferenceSet":
            _read_data(step, part)
        else:
            text = part.text or ""
            step.header.add("Infrastructure/Timestamp", text.strip())
            time, note = scanned(text)
            step.fields |= {"scanned": time} if time else {}
            step.notes += [note] if note else []


def _read_samples(
    step: Step, references: Element, samples: dict[str, Header], parent: Step | None
) -> None:
    names = ("SampleReference", "SampleInheritance")
    for each in children(references, names, step.where):
        role = each.get("role", "")
        if local_name(each) == "SampleReference":
            sample_id = attribute(each, "sampleID", step.where)
            if sample_id not in samples:
                found = f"a reference to the sample {shown(sample_id)}"
                raise step.where.refusal(found, "a sample that the SampleSet defines", each)
            header = samples[sample_id]
        elif parent is not None and len(parent.samples) == 1:
            header = parent.samples[0][1]
        else:
            step.notes.append("it inherits a sample, but the step around it names none or several")
            continue
        step.header.add_all(header, f"Sample/{role}/")
        if each.get("samplePurpose") == "consumed":
            step.samples.append((role, header))
    measured = step.samples
    if len(measured) > 1:
        measured = [each for each in measured if each[0] == _TEST_SAMPLE]
    if len(measured) == 1:
        header = measured[0][1]
        lot = header.of_parameter("Lot or Batch Name/Number")
        stated = {"sample": header.entries.get("name"), "lot": lot}
        step.fields |= {name: text for name, text in stated.items() if text}
    elif step.samples:
        roles = ", ".join(sorted({shown(role) for role, _ in step.samples}))
        step.notes.append(f"sample not stated: {len(step.samples)} are consumed ({roles})")


def _read_point(step: Step, reference: Element) -> None:
    series_id = attribute(reference, "seriesID", step.where)
    parts = keyed(children(reference, ("StartValue", "EndValue"), step.where), step.where)
    if "StartValue" not in parts:
        raise step.where.refusal("a reference without StartValue", "it", reference)
    texts = [number_text(part, step.where).strip() for part in parts.values()]
    try:
        start, *end = (float(each) for each in numbers(texts, "D"))
    except BadNumber as error:
        found, expected = error.args
        raise step.where.refusal(found, expected, reference) from error
    step.points.append(PointReference(series_id, start, end[0] if end else None))
    step.header.add(f"Parent/{series_id}", " to ".join(texts))


def _read_data(step: Step, references: Element) -> None:
    names = ("ExperimentDataReference", "ExperimentDataBulkReference")
    for each in children(references, names, step.where):
        if local_name(each) == "ExperimentDataReference":
            target = attribute(each, "experimentStepID", step.where)
            if each.get("dataPurpose") == "consumed":
                step.consumed.append(target)
        else:
            target = f"{attribute(each, 'experimentStepIDPrefix', step.where)}..."
        step.header.add(f"Data/{each.get('role', '')}", target)


def _read_method(step: Step, method: Element) -> None:
    add_attributes(step.header, "Method/", method, ("name",))
    if name := " ".join((method.get("name") or "").split()):
        step.fields["method"] = name
    names = ("Author", "Device", "Software", "Category")
    for part in children(method, names, step.where, once=names[:3]):
        kind = local_name(part)
        if kind == "Category":
            add_category(step.header, "Method/", part, step.where)
            continue
        if kind == "Author":
            add_attributes(step.header, "Method/Author/", part, ("userType",))
        add_texts(step.header, f"Method/{kind}", part, step.where)


def _read_template(step: Step, templates: dict[str, Step]) -> None:
    used = step.header.entries.get("Step/templateUsed")
    if used is None:
        return
    if used not in templates:
        raise step.where.refusal(
            f"the template {shown(used)}", "one that the file defines before its steps"
        )
    template = templates[used]
    step.header.add_all(template.header, "Template/")
    step.technique = step.technique or template.technique
    for name, text in template.fields.items():
        if name not in ("sample", "lot", "scanned", "comment"):
            step.fields.setdefault(name, text)


def _state_method_fields(step: Step) -> None:
    entries, header = step.header.entries, step.header
    device = entries.get("Method/Device/DeviceIdentifier") or entries.get("Method/Device/Name")
    is_person = entries.get("Method/Author/userType") == "human"
    stated = {
        "instrument": device,
        "operator": entries.get("Method/Author/Name") if is_person else None,
        "bandwidth_nm": in_unit(header.of_parameter("Spectral Bandwidth"), "nm"),
        "smoothed": flag(header.of_parameter("Smoothing Enabled")),
        "zero_line_applied": flag(header.of_parameter("Dark-Corrected")),
    }
    step.fields |= {name: text for name, text in stated.items() if text}
