"""The catalogue is whole, consistent, and quick; its figures are those of the publications."""

import subprocess
import sys

import pytest

from outcomes.errors import ArgumentError
from outcomes.measures import get, measures, sources
from outcomes.measures.catalogue import Published
from outcomes.measures.thresholds import ERROR_KINDS

ALL = sorted(measures())
FIGURES = [(code, figure) for code in ALL for figure in get(code).published]

CODES = """
shoulder_flexion shoulder_abduction shoulder_external_rotation shoulder_internal_rotation
shoulder_extension thoracic_flexion_extension thoracic_rotation cervical_rotation cervical_flexion
cervical_extension cervical_side_bending cervical_full_arc tragus_to_wall occiput_to_wall
craniovertebral_angle kyphosis_angle kyphosis_flexicurve deep_neck_flexor_endurance
lateral_neck_flexor_endurance grip_strength pressure_pain_upper_trapezius pectoralis_minor_tape
pectoralis_minor_table posterior_shoulder_tightness combined_elevation shoulder_flexion_supine
pull_up ndi nprs psfs quickdash dash spadi vas groc ases oss sst odi rmdq comi_neck tsk11
promis_pf uefi15 uefi20 uefs ulfi
""".split()


def test_every_code_is_there():
    assert ALL == sorted(CODES)


@pytest.mark.parametrize("code", ALL)
def test_measure_is_consistent(code):
    measure = get(code)
    assert measure.code == code
    assert measure.hard_min <= measure.soft_min < measure.soft_max <= measure.hard_max
    assert measure.better in ("higher", "lower")
    assert measure.sign == {"higher": 1, "lower": -1}[measure.better]
    assert 0 < measure.resolution < measure.hard_max - measure.hard_min
    assert measure.kind in (
        "range distance posture endurance strength pressure questionnaire rating".split()
    )
    assert measure.name and measure.short and measure.construct and measure.scoring
    assert measure.missing_rule and measure.licence
    assert set(measure.modes) <= {"active", "passive"}
    assert not (measure.self_report and (measure.sided or measure.modes))
    assert len(measure.short) <= 8


def test_short_labels_and_names_are_unique():
    assert len({get(code).short for code in ALL}) == len(ALL)
    assert len({get(code).name for code in ALL}) == len(ALL)


@pytest.mark.parametrize(("code", "figure"), FIGURES)
def test_figure_is_consistent(code: str, figure: Published):
    assert figure.source in sources()
    assert figure.status in ("read", "memory", "common practice")
    assert not (figure.status == "read" and sources()[figure.source].status != "read")
    numbers = [figure.value, figure.low, figure.high, *figure.figures.values()]
    assert any(number is not None for number in numbers)
    if figure.low is not None and figure.high is not None:
        assert figure.low < figure.high
    if figure.kind == "minimal_detectable_change":
        assert figure.confidence in (None, 0.90, 0.95)
        assert figure.confidence_basis
        assert figure.confidence is not None or figure.confidence_basis == "not stated"
    if figure.kind == "standard_error_of_measurement":
        assert figure.confidence is None
    assert figure.rater in (
        "",
        "same rater",
        "between raters",
        "same and between raters",
        "test and retest",
    )
    assert figure.mode in ("", "active", "passive", "mixed")
    if code == "ndi" and figure.kind != "intraclass_correlation":
        assert figure.unit in ("percent", "points of 50", "not stated")


@pytest.mark.parametrize("code", ALL)
@pytest.mark.parametrize("kinds", [ERROR_KINDS, ("minimal_important_change",)])
def test_at_most_one_default(code, kinds):
    marked = [f for f in get(code).published if f.default_because and f.kind in kinds]
    assert len(marked) <= 1


def test_every_publication_is_cited():
    cited = {figure.source for _, figure in FIGURES}
    for code in ALL:
        cited |= {*get(code).scoring_sources, *get(code).further_reading}
    assert cited == set(sources())


def test_no_addresses_stand_in_the_catalogue():
    for source in sources().values():
        assert "http" not in source.citation + source.note
        assert "www" not in source.citation + source.note


@pytest.mark.parametrize(
    ("code", "kind", "source", "expected"),
    [
        # printed in the abstract of the publication named
        ("shoulder_flexion", "minimal_detectable_change", "kolber2011", 8.0),
        ("shoulder_abduction", "minimal_detectable_change", "kolber2011", 4.0),
        ("quickdash", "minimal_important_change", "franchignoni2014", 15.91),
        ("dash", "minimal_detectable_change", "franchignoni2014", 10.81),
        ("ndi", "minimal_important_change", "young2009", 7.5),
        ("tsk11", "standard_error_of_measurement", "woby2005", 2.54),
    ],
)
def test_printed_figures(code, kind, source, expected):
    values = [f.value for f in get(code).published if f.kind == kind and f.source == source]
    assert values == [expected]


def test_unknown_code_names_its_neighbours():
    with pytest.raises(ArgumentError, match="Did you mean cervical_rotation"):
        get("cervical_rotatoin")
    with pytest.raises(ArgumentError, match="lists all codes"):
        get("xyzzy")
    with pytest.raises(ArgumentError, match="got None"):
        get(None)


def test_measures_cannot_be_altered_for_others():
    measures().pop("ndi")
    assert "ndi" in measures()


def test_reading_the_catalogue_loads_no_heavy_library():
    code = (
        "import sys, outcomes.measures as m; m.measures(); m.default_error('ndi');"
        "print([n for n in ('scipy', 'statsmodels', 'matplotlib') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
