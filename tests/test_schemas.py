"""Every document of every command fits the JSON Schema that ships, and no member of it is left undescribed."""

from __future__ import annotations

from typing import Any

import pytest
from documents import documents, undescribed
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
