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
from partkin.rules.reasons import REASON_TYPES, WARNING_TYPES
from partkin.settings import Settings
from partkin.web.app import create_app
from partkin.web.examples import EXAMPLES

DOCUMENT: Json = create_app(Settings()).openapi()
OPERATIONS = {
    f"{method.upper()} {path}": operation
    for path, operations in DOCUMENT["paths"].items()
    for method, operation in operations.items()
}
SCHEMAS: dict[str, Json] = DOCUMENT["components"]["schemas"]
FORMS = {
    form["properties"]["kind"]["const"]: name
    for name, form in SCHEMAS.items()
    if {"message_id", "kind"} <= form.get("properties", {}).keys()
}
"""Kind of message to the name of its form."""


def name_of(schema: Json) -> str:
    """What a reference refers to."""
    return str(schema["$ref"]).removeprefix("#/components/schemas/")


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
    assert documented == [f"/problems/{name}" for name in (*REASON_TYPES, *WARNING_TYPES)]


@pytest.mark.parametrize("kind", FORMS)
def test_the_example_of_a_message_and_its_answer_follow_their_schemas(kind: str) -> None:
    example = EXAMPLES[kind]
    validator(FORMS[kind]).validate(example.message)
    validator("Recorded").validate(example.answer)
    assert example.answer["message_id"] == example.message["message_id"]


def test_every_kind_of_message_has_its_example_at_its_address() -> None:
    shown = {}
    for operation in OPERATIONS.values():
        body = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
        if "accepted" in body.get("examples", {}):
            answer = operation["responses"]["201"]["content"]["application/json"]["example"]
            message = body["examples"]["accepted"]["value"]
            shown[name_of(body["schema"])] = message["message_id"], answer["message_id"]
    ids = {kind: example.answer["message_id"] for kind, example in EXAMPLES.items()}
    assert shown == {name: (ids[kind], ids[kind]) for kind, name in FORMS.items()}
    assert FORMS.keys() == EXAMPLES.keys()


@pytest.mark.parametrize("kind", FORMS)
def test_all_that_a_message_lists_or_says_has_a_limit(kind: str) -> None:
    for place, schema in within(SCHEMAS[FORMS[kind]]):
        if schema.get("type") == "array":
            assert "maxItems" in schema, place
        if schema.get("type") == "string":
            assert schema.keys() & {"maxLength", "enum", "const", "format"}, place
        if schema.get("type") == "integer":
            assert "maximum" in schema, place


def within(schema: Json, place: str = "") -> Iterator[tuple[str, Json]]:
    """A schema and all within it, each with its place."""
    if "$ref" in schema:
        schema = SCHEMAS[name_of(schema)]
    yield place, schema
    for name, member in schema.get("properties", {}).items():
        yield from within(member, f"{place}/{name}")
    for choice in (*schema.get("anyOf", ()), *schema.get("oneOf", ())):
        yield from within(choice, place)
    if "items" in schema:
        yield from within(schema["items"], f"{place}/*")


WHOLE = {"GET /v1/instruments", "GET /v1/cases/{case}/things"}
"""A list that is as long as the plant's catalogue makes it; and that of a case, which its hash is of."""


def test_lists_come_in_pages() -> None:
    for name in OPERATIONS.keys() - WHOLE:
        answer = OPERATIONS[name]["responses"].get("200", {}).get("content", {}).get("application/json", {})
        if "$ref" in answer.get("schema", {}) and "items" in SCHEMAS[name_of(answer["schema"])]["properties"]:
            asked = {parameter["name"]: parameter["schema"] for parameter in OPERATIONS[name]["parameters"]}
            assert asked["limit"]["maximum"] == 1000, name
            assert "cursor" in asked, name


@pytest.mark.timeout(300)
def test_the_service_does_what_the_document_says(service: httpx2.Client, store_url: str, tmp_path: Path) -> None:
    """Requests that follow the document, and requests that do not, made up by schemathesis."""
    load(store_url)
    # What is wrong with the form of a request is found before any store is asked: once is enough.
    phases = "examples,coverage,fuzzing" if store_url.startswith("sqlite") else "examples,fuzzing"
    run = subprocess.run(
        [
            Path(sys.executable).with_name("schemathesis"),
            *("run", f"{service.base_url}/openapi.json"),
            *("--phases", phases, "--max-examples", "10"),
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
