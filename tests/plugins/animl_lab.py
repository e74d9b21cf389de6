"""A whole AnIML document as an invented lab would export it: samples, template, method, trail."""

from tests.plugins.animl_files import (
    NM,
    PERCENT_T,
    axis,
    document,
    individual,
    packed,
    result,
    series,
    step,
    steps,
)

SAMPLES = """\
<SampleSet>
<Sample name="W-17" sampleID="a1" barcode="0042" comment="invented">
<TagSet><Tag name="order" value="O 7"/></TagSet>
<Category name="Description">
<Parameter name="Descriptive Name" parameterType="String"><S>witness </S></Parameter>
<Parameter name="Lot or Batch Name/Number" parameterType="String"><S>L0042</S></Parameter>
<Parameter name="Mass" parameterType="Float32"><F> 2.50 </F><Unit label="mg"/></Parameter>
<Category name="Refractive Index">
<Parameter name="Refractive Index" parameterType="Float64"><D>1.52</D></Parameter>
</Category>
</Category>
</Sample>
<Sample name="air" sampleID="b2"/>
</SampleSet>"""

INFRASTRUCTURE = """\
<Infrastructure>
<SampleReferenceSet>
<SampleReference sampleID="a1" role="Test Sample" samplePurpose="consumed"/>
<SampleReference sampleID="b2" role="Reference Sample" samplePurpose="consumed"/>
</SampleReferenceSet>
<ExperimentDataReferenceSet>
<ExperimentDataReference role="Baseline" dataPurpose="consumed" experimentStepID="base"/>
</ExperimentDataReferenceSet>
<Timestamp>2026-05-04T13:12:30.25+02:00</Timestamp>
</Infrastructure>"""

METHOD = """\
<Method name="window scan 3">
<Author userType="human"><Name>op 4</Name><Role>operator</Role></Author>
<Device><DeviceIdentifier>bench 1</DeviceIdentifier><Name>invented bench</Name></Device>
<Software><Name>invented export</Name><Version>2.1</Version></Software>
<Category name="Dispersive Method"><Category name="Instrument Settings">
<Parameter name="Spectral Bandwidth" parameterType="Float32"><F>2.0</F><Unit label="nm"/>
</Parameter>
<Parameter name="Scan Speed" parameterType="Float32"><F>4</F><Unit label="nm/s"/></Parameter>
</Category></Category>
<Category name="Common Method"><SeriesSet name="Detectors" length="2">
<Series name="Lower Bound" dependency="dependent" seriesID="l" seriesType="Float32">
<IndividualValueSet><F>200</F><F>860</F></IndividualValueSet></Series></SeriesSet></Category>
<Category name="Spectral Post-Processing">
<Category name="Spectral Correction">
<Parameter name="Dark-Corrected" parameterType="Boolean"><Boolean>true</Boolean></Parameter>
</Category>
<Category name="Spectral Smoothing">
<Parameter name="Smoothing Enabled" parameterType="Boolean"><Boolean>0</Boolean></Parameter>
</Category></Category>
</Method>"""

DESCRIPTION = """\
<Category name="Measurement Description">
<Parameter name="Number of Scans" parameterType="Int32"><I>3</I></Parameter>
<Parameter name="Picture" parameterType="PNG"><PNG>AAAA</PNG></Parameter>
</Category>"""

TRAIL = """\
<AuditTrailEntrySet><AuditTrailEntry><Timestamp>2026-05-04T13:20:00Z</Timestamp>
<Author userType="software"><Name>invented export</Name></Author><Action>created</Action>
</AuditTrailEntry></AuditTrailEntrySet>"""

TEMPLATE = f"""\
<Template name="usual" templateID="t1"><Technique name="UV/Vis" uri="urn:invented:uv-vis.atdd"/>
{METHOD}</Template>"""

BASE = step(
    result(
        axis(steps("400", "0.5")), series(packed((99.5, 100, 100.25)), PERCENT_T), name="Baseline"
    ),
    id="base",
)
SCAN = step(
    result(
        axis(steps("400", "0.5"), NM),
        series(individual(("91.25", "91.5", "NaN")), PERCENT_T, visible="true", plotScale="linear"),
        after=DESCRIPTION,
    ),
    id="scan",
    head=INFRASTRUCTURE + METHOD,
    comment="second side",
)


def lab_export() -> bytes:
    """A baseline and a scan."""
    return document(BASE, SCAN, samples=SAMPLES, after=TRAIL)
