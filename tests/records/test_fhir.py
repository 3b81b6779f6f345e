"""FHIR bundles: what they give, what is set aside, and the way back."""

import json

import pytest

from outcomes.errors import DataError
from outcomes.records import read_caseload
from outcomes.records.fhir import write_bundle
from outcomes.records.ledger import balance_faults

MAPPING = {
    "fhir": {
        "measures": {
            "http://loinc.org|72514-3": "nprs",
            "https://a.example|flex": "shoulder_flexion",
        },
        "questionnaires": {"https://a.example/Questionnaire/neck": "ndi"},
    }
}


def observation(**more):
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "https://a.example", "code": "flex"}]},
        "subject": {"reference": "Patient/P1"},
        "effectiveDateTime": "2026-03-01T23:30:00+05:00",
        "bodySite": {"coding": [{"system": "http://snomed.info/sct", "code": "7771000"}]},
        "valueQuantity": {"value": 140, "system": "http://unitsofmeasure.org", "code": "deg"},
        **more,
    }


def bundle(tmp_path, *resources):
    path = tmp_path / "export.json"
    entries = [{"resource": resource} for resource in resources]
    text = json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries})
    path.write_text(text, encoding="utf-8")
    return path


def test_observations_and_answers_become_a_caseload(tmp_path):
    # UCUM: [in_i] is the international inch (2.54 cm). SNOMED CT 7771000 is left.
    answers = [{"linkId": f"q{i}", "answer": [{"valueInteger": 2}]} for i in range(1, 11)]
    path = bundle(
        tmp_path,
        {"resourceType": "Patient", "id": "P1", "gender": "female", "birthDate": "1980-02-03",
         "name": [{"family": "Quux"}]},
        observation(),
        observation(
            code={"coding": [{"system": "urn:outcomes:measure", "code": "tragus_to_wall"}]},
            valueQuantity={"value": 5, "code": "[in_i]"},
        ),
        observation(
            code={"coding": [{"system": "http://loinc.org", "code": "72514-3"}]},
            valueQuantity=None, valueInteger=4, bodySite=None,
        ) | {},
        {"resourceType": "QuestionnaireResponse", "status": "completed",
         "questionnaire": "https://a.example/Questionnaire/neck|1.0",
         "subject": {"reference": "Patient/P1"}, "authored": "2026-03-01",
         "item": [{"linkId": "all", "item": answers}]},
    )  # fmt: skip
    caseload = read_caseload(path, mapping=MAPPING)
    rows = caseload.measurements.set_index("measure")
    assert rows.loc["shoulder_flexion", ["value", "side", "unit"]].tolist() == [140, "left", "deg"]
    assert rows.loc["tragus_to_wall", "value"] == pytest.approx(12.7)
    assert rows.loc["nprs", "value"] == 4
    # The local calendar day of the clinic, not that of Greenwich.
    assert rows["date"].dt.strftime("%Y-%m-%d").unique().tolist() == ["2026-03-01"]
    assert caseload.answers["item"].tolist() == list(range(1, 11))
    client = caseload.clients.iloc[0]
    assert (client["client"], client["birth_year"], client["sex"]) == ("P1", 1980, "female")
    assert "Quux" not in caseload.ledger.to_csv() + caseload.clients.to_csv()
    assert balance_faults(caseload.balance) == []


def test_statuses_are_checked_against_the_standard(tmp_path):
    # The library accepts any text as status; FHIR R4 observation-status does not.
    path = bundle(
        tmp_path,
        observation(),
        observation(status="bogus"),
        observation(status="entered-in-error"),
        observation(effectiveDateTime="2026"),
        {"resourceType": "Observation", "status": "final"},
        {"resourceType": "Medication"},
    )
    caseload = read_caseload(path, mapping=MAPPING)
    assert len(caseload.measurements) == 1
    aside = caseload.ledger[caseload.ledger["action"] == "set aside"]
    assert aside["source_row"].tolist() == [2, 3, 4, 5]
    assert "resources not read" in caseload.ledger["rule"].tolist()
    assert balance_faults(caseload.balance) == []


def test_a_comparator_is_a_bound_and_components_are_readings(tmp_path):
    sides = [("7771000", 61), ("24028007", 58)]
    parts = [
        {"code": {"coding": [{"system": "urn:outcomes:measure", "code": "cervical_rotation"}]},
         "valueQuantity": {"value": value, "code": "deg"},
         "extension": [{"url": "urn:outcomes:trial", "valueInteger": i + 1}]}
        for i, (_, value) in enumerate(sides)
    ]  # fmt: skip
    path = bundle(
        tmp_path,
        observation(valueQuantity={"value": 90, "code": "deg", "comparator": "<"}),
        {key: value for key, value in observation(component=parts).items()
         if key != "valueQuantity"},
    )  # fmt: skip
    caseload = read_caseload(path, mapping=MAPPING)
    assert caseload.measurements["value"].tolist() == [61, 58]
    assert "inequality sign" in caseload.ledger["rule"].tolist()


@pytest.mark.parametrize("version", ["R4", "R5"])
def test_a_bundle_reads_back_the_same(tmp_path, version):
    (tmp_path / "measurements.csv").write_text(
        "client,episode,visit,date,measure,side,moment,trial,value,rater,instrument,mode\n"
        "A,1,1,2026-01-05,shoulder_flexion,left,before,1,121.125,R1,inclinometer,active\n"
        "A,1,1,2026-01-05,shoulder_flexion,left,after,1,130,R1,inclinometer,passive\n"
        "A,1,2,2026-01-12,ndi,,before,1,36,,,\n"
    )
    (tmp_path / "answers.csv").write_text(
        "client,episode,visit,date,questionnaire,item,answer\n"
        + "".join(f"A,1,1,2026-01-05,quickdash,{i},{1 + i % 5}\n" for i in range(1, 11))
        + "A,1,1,2026-01-05,quickdash,11,\n"
    )
    first = read_caseload(tmp_path)
    path = write_bundle(first, tmp_path / "out.json", version=version)
    second = read_caseload(path, mapping={"fhir": {"version": version}})
    columns = ["client", "episode", "visit", "date", "measure", "side", "moment", "trial", "value",
               "unit", "rater", "mode"]  # fmt: skip
    key = ["measure", "moment"]
    before = first.measurements[columns].sort_values(key).reset_index(drop=True)
    after = second.measurements[columns].sort_values(key).reset_index(drop=True)
    assert before.equals(after)
    columns = ["client", "episode", "visit", "date", "questionnaire", "item", "answer"]
    assert first.answers[columns].equals(second.answers[columns])


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[1]", '{"resourceType": "Bundle"}', "[" * 100000, "NaN", '{"a": NaN}', "\x00"],
)
def test_what_is_no_bundle_is_one_clear_error(tmp_path, text):
    path = tmp_path / "x.json"
    path.write_text(text)
    with pytest.raises(DataError, match="must be a FHIR bundle"):
        read_caseload(path)
