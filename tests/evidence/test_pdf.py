"""The page as PDF: a plain refusal without the library, the same bytes twice with it."""

from __future__ import annotations

import builtins
import os
from typing import Any

import pytest

from teachlab.errors import InputError
from teachlab.evidence.page import page_pdf

PAGE = "<!DOCTYPE html><html lang='en'><head><title>t</title></head><body><p>1 of 299</p></body></html>"


def test_without_the_library_the_message_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def refuse(name: str, *rest: Any, **more: Any) -> Any:
        if name == "weasyprint":
            raise OSError("cannot load library 'pango'")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(InputError, match="print it"):
        page_pdf(PAGE)


@pytest.mark.filterwarnings("default")
def test_same_page_same_bytes() -> None:
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError):
        pytest.skip("WeasyPrint or its system libraries are not installed; it is the extra 'pdf'")
    before = os.environ.get("SOURCE_DATE_EPOCH")
    first = page_pdf(PAGE)
    assert first.startswith(b"%PDF-")
    assert page_pdf(PAGE) == first
    assert os.environ.get("SOURCE_DATE_EPOCH") == before
