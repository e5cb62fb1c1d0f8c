"""Commands as a person types them, run in this process."""

from __future__ import annotations

import json
from typing import Any

from typer.testing import CliRunner, Result

from teachlab.cli import app


def invoke(*words: object, **more: Any) -> Result:
    """Return how a command ended; `more` as the runner takes it."""
    return CliRunner().invoke(app, [str(word) for word in words], **more)


def run(*words: object, code: int = 0, **more: Any) -> Result:
    """Return how a command ended, which must be with this exit code."""
    done = invoke(*words, **more)
    assert done.exit_code == code, f"{words}: {done.output}\n{done.exception!r}"
    return done


def document(*words: object, code: int = 0) -> Any:
    """Return the document that a command prints."""
    return json.loads(run(*words, "--json", code=code).stdout)
