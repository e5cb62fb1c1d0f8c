"""Every document of every command fits the JSON Schema that ships, and no member of it is left undescribed."""

from __future__ import annotations

import json
from typing import Any

import pytest
from documents import FOLDER, REFERENCE, WIDTH, documents, shared, undescribed, written
from jsonschema import Draft202012Validator

from teachlab.errors import ParameterError
from teachlab.schemas import schema_names, schema_of


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[str, str, Any]]:
    return list(documents(tmp_path_factory.mktemp("documents")))


def test_every_document_fits_its_schema(printed: list[tuple[str, str, Any]]) -> None:
    for name, line, document in printed:
        schema = schema_of(name)
        Draft202012Validator.check_schema(schema)
        faults = [
            f"{line}: {fault.json_path}: {fault.message}"
            for fault in Draft202012Validator(schema).iter_errors(document)
        ]
        assert not faults, "\n".join(faults)


def test_no_member_is_undescribed(printed: list[tuple[str, str, Any]]) -> None:
    new = sorted(
        {f"{name}{where}" for name, _, document in printed for where in undescribed(document, schema_of(name))}
    )
    assert not new, f"renew the schemas with `python tests/documents.py` and read the difference: {', '.join(new)}"


def test_there_is_a_schema_of_every_command_that_prints_a_document(printed: list[tuple[str, str, Any]]) -> None:
    assert schema_names() == sorted({name for name, _, _ in printed})
    with pytest.raises(ParameterError, match="there is no schema of 'nothing'"):
        schema_of("nothing")


def test_every_document_says_its_schema(printed: list[tuple[str, str, Any]]) -> None:
    assert [line for _, line, document in printed if not isinstance(document.get("schema"), int)] == []


def test_a_wrong_document_does_not_fit() -> None:
    wrong = {"schema": 1, "passes": "many"}
    assert list(Draft202012Validator(schema_of("plan")).iter_errors(wrong))


def test_what_is_said_twice_is_said_once_and_means_the_same() -> None:
    """A part within a part that occurs twice is named by itself only where it is used elsewhere too."""
    kept = sorted(FOLDER.glob("*.json"))
    assert sum("$defs" in json.loads(path.read_text()) for path in kept) > 10
    for path in kept:
        schema = json.loads(path.read_text())
        defs = schema.pop("$defs", {})

        def whole(part: Any, defs: dict[str, Any] = defs) -> Any:
            if isinstance(part, list):
                return [whole(one) for one in part]
            if not isinstance(part, dict):
                return part
            if set(part) == {"$ref"}:
                return whole(defs[part["$ref"].removeprefix(REFERENCE)])
            return {key: whole(one) for key, one in part.items()}

        said_in_full = whole(schema)
        assert "$ref" not in json.dumps(said_in_full)
        assert shared(said_in_full) == schema | ({"$defs": defs} if defs else {})
        uses = path.read_text()
        assert all(uses.count(f'"{REFERENCE}{name}"') > 1 for name in defs), path.name


def test_schemas_are_written_for_people() -> None:
    for path in FOLDER.glob("*.json"):
        text = path.read_text()
        assert text == written(json.loads(text)) + "\n"
        assert max(map(len, text.splitlines())) <= WIDTH
