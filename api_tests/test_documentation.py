"""The OpenAPI document: valid, complete, and true of the running service."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx2
import jsonschema_rs
import pytest
from schemathesis.specs.openapi.definitions import OPENAPI_31

from api_tests.plant import Json, load
from partkin.rules.reasons import REASON_TYPES
from partkin.settings import Settings
from partkin.web.app import create_app
from partkin.web.examples import EXAMPLES

DOCUMENT: Json = create_app(Settings()).openapi()
OPERATIONS = {
    f"{method.upper()} {path}": operation
    for path, operations in DOCUMENT["paths"].items()
    for method, operation in operations.items()
}
FORMS = {
    "unit-start": "UnitStart",
    "marriage": "Marriage",
    "removal": "Removal",
    "lot-loading": "LotLoading",
    "receipt": "Receipt",
    "test-run": "TestRun",
    "hold": "Hold",
}


def validator(name: str) -> jsonschema_rs.Draft202012Validator:
    """Checks values against one of the document's schemas."""
    schema = {"$ref": f"#/components/schemas/{name}", "components": DOCUMENT["components"]}
    return jsonschema_rs.Draft202012Validator(schema, validate_formats=True)


def walk(value: Any) -> Iterator[tuple[str, Any]]:
    """Every member at every level."""
    if isinstance(value, dict):
        yield from value.items()
        for part in value.values():
            yield from walk(part)
    elif isinstance(value, list):
        for part in value:
            yield from walk(part)


def test_the_document_is_valid() -> None:
    """By the OpenAPI Initiative's schema of 3.1 documents of 2022-10-07, which schemathesis brings."""
    jsonschema_rs.Draft202012Validator(OPENAPI_31).validate(DOCUMENT)
    for name in DOCUMENT["components"]["schemas"]:
        validator(name)


def test_every_reference_leads_somewhere() -> None:
    references = {value for name, value in walk(DOCUMENT) if name == "$ref"}
    assert references
    for reference in references:
        place: Any = DOCUMENT
        for step in reference.removeprefix("#/").split("/"):
            place = place[step]


@pytest.mark.parametrize("operation", OPERATIONS)
def test_every_address_says_what_it_does_and_answers(operation: str) -> None:
    said = OPERATIONS[operation]
    assert said["summary"]
    assert said["operationId"]
    assert any(status.startswith("2") for status in said["responses"])
    for status, response in said["responses"].items():
        assert response["description"]
        media_types = set(response["content"])
        assert (media_types == {"application/problem+json"}) == (status >= "400")


def test_operations_have_names_of_their_own() -> None:
    names = [operation["operationId"] for operation in OPERATIONS.values()]
    assert len(set(names)) == len(names)


def test_every_reason_is_documented() -> None:
    documented = DOCUMENT["components"]["schemas"]["Reason"]["properties"]["type"]["enum"]
    assert documented == [f"/problems/{name}" for name in REASON_TYPES]


@pytest.mark.parametrize("kind", FORMS)
def test_the_example_of_a_message_and_its_answer_follow_their_schemas(kind: str) -> None:
    example = EXAMPLES[kind]
    validator(FORMS[kind]).validate(example.message)
    validator("Recorded").validate(example.answer)
    assert example.answer["message_id"] == example.message["message_id"]


def test_every_kind_of_message_has_its_example() -> None:
    assert FORMS.keys() == EXAMPLES.keys()


def test_the_service_does_what_the_document_says(service: httpx2.Client, store_url: str, tmp_path: Path) -> None:
    """Requests that follow the document, and requests that do not, made up by schemathesis."""
    load(store_url)
    run = subprocess.run(
        [
            Path(sys.executable).with_name("schemathesis"),
            *("run", f"{service.base_url}/openapi.json"),
            *("--phases", "examples,coverage,fuzzing", "--max-examples", "20"),
            *("--exclude-path", "/v1/messages"),  # schemathesis writes no NDJSON; test_messages.py does
            *("--checks", "not_a_server_error,status_code_conformance,content_type_conformance"),
            *("--seed", "1", "--no-shrink", "--continue-on-failure", "--no-color"),
            *("--generation-database", "none"),
        ],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout[-20_000:] + run.stderr[-2000:]
