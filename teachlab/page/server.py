"""The page from a server of its own: the whole light at any zoom, any setting replayed, corrected passes saved."""

from __future__ import annotations

import hmac
import json
import math
import secrets
import threading
from collections.abc import Callable, Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import numpy as np

from teachlab.data.setting_files import setting_from_dict
from teachlab.data.strict_json import parse_json
from teachlab.errors import InputError, ParameterError
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.json_values import plain
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.page.contents import active_runs, outcomes, reserve_text, trials_of
from teachlab.page.corrections import CorrectedPasses, corrected_truth
from teachlab.page.light import extremes
from teachlab.page.packing import PackedArray, whole_numbers
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

HOST = "127.0.0.1"
MOST_BYTES = 256_000_000
"""Of one question: passes of a long recording."""
MOST_COLUMNS = 20_000
HEADERS = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class PageServer(ThreadingHTTPServer):
    """Serves one page to who knows its address, on this machine alone.

    `page`: HTML, made for a server.
    `corrected`: where corrected passes go; None refuses to save them.

    Notes
    -----
    The address holds a token that is drawn anew at every start; other hosts in a request are refused, so that no other
    page in the browser gets at it by a name of its own.
    """

    daemon_threads = True

    def __init__(
        self, page: str, recording: Recording, truth: Truth, rules: Rules, corrected: CorrectedPasses | None
    ) -> None:
        super().__init__((HOST, 0), _Handler)
        self.token = secrets.token_urlsafe(24)
        self.page = page.encode()
        self._recording, self._truth, self._rules, self._corrected = recording, truth, rules, corrected
        # One replay at a time: hands move faster than long recordings are read.
        self._one = threading.Lock()
        self.questions: Mapping[str, Callable[[Mapping[str, Any]], dict[str, Any]]] = {
            "count": self._count, "light": self._light, "reserve": self._reserve, "passes": self._passes,
        }  # fmt: skip

    @property
    def address(self) -> str:
        """What to open in a browser."""
        return f"http://{HOST}:{self.server_port}/{self.token}/"

    def answer(self, what: str, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Return the answer to a question; raises `InputError` where it cannot be answered."""
        with self._one:
            return self.questions[what](asked)

    def _setting(self, asked: Mapping[str, Any]) -> Setting:
        return setting_from_dict(asked.get("setting"), "the setting of the page")

    def _passes_of(self, asked: Mapping[str, Any]) -> Truth:
        given = asked.get("passes")
        return self._truth if given is None else corrected_truth(self._truth, given, self._recording.samples)

    def _count(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        truth = self._passes_of(asked)
        output = replay(self._recording, self._setting(asked))
        found = score(output, truth, rules=self._rules, tables=False)
        border = border_evaluations(truth, output.clock, self._rules)
        laid = Windows.of(truth, output.clock, border=border, lag=output.lag)
        return {
            "counts": PairCounts.of(found, truth).by_table(), "trials": trials_of(found),
            "inverted": found.probably_inverted,
            **_packed({
                **outcomes(found), "gap_start": laid.gap_start, "gap_stop": laid.gap_stop, "runs": active_runs(output),
            }),
        }  # fmt: skip

    def _light(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        try:
            start, stop, columns = (int(asked[name]) for name in ("from", "to", "columns"))
        except (KeyError, TypeError, ValueError, OverflowError):
            raise ParameterError("the light takes whole numbers: from, to and columns.") from None
        start, stop = max(0, start), min(stop, self._recording.samples)
        if not (start < stop and 0 < columns <= MOST_COLUMNS):
            raise ParameterError(f"the light takes from below to, and 1 to {MOST_COLUMNS:,} columns.")
        block = max(1, math.floor((stop - start) / columns))
        low, high = extremes(self._recording, start, stop, block)
        return {"from": start, "to": stop, "block": block, **_packed({"low": low, "high": high})}

    def _reserve(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        return {"text": reserve_text(self._recording, self._passes_of(asked), self._setting(asked), self._rules)}

    def _passes(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        if self._corrected is None:
            raise ParameterError("the passes lie in an object store, where nothing is written. Copy the files first.")
        truth = corrected_truth(self._truth, asked.get("passes") or {}, self._recording.samples)
        return {"written": self._corrected.write(truth, asked.get("edits"))}


def _packed(arrays: Mapping[str, Any]) -> dict[str, Any]:
    small = {name: whole_numbers(one) if one.dtype == np.int64 else one for name, one in arrays.items()}
    packed = {name: PackedArray.of(one) for name, one in small.items()}
    return {
        "arrays": {name: one.as_dict() for name, one in packed.items()},
        "texts": {name: one.text for name, one in packed.items()},
    }


class _Handler(BaseHTTPRequestHandler):
    server: PageServer
    protocol_version = "HTTP/1.1"
    timeout = 60

    def do_GET(self) -> None:
        """Answer with the page."""
        if self._known("") is not None:
            self._send(HTTPStatus.OK, self.server.page, "text/html; charset=utf-8")

    def do_POST(self) -> None:
        """Answer a question of the page."""
        what = self._known(*self.server.questions)
        if what is None:
            return
        size = self.headers.get("Content-Length", "")
        own = (self.headers.get("Origin"), self.headers.get("Content-Type"))
        if own != (f"http://{self.headers['Host']}", "application/json"):
            return self._refuse(HTTPStatus.FORBIDDEN, "this server answers its own page alone.")
        if not size.isascii() or not size.isdigit() or int(size) > MOST_BYTES:
            return self._refuse(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "the question is too long.")
        try:
            asked = parse_json(self.rfile.read(int(size)).decode(), "the question of the page", ParameterError)
            if not isinstance(asked, Mapping):
                raise ParameterError("the question of the page is no JSON object.")
            found = plain(self.server.answer(what, asked))
        except (InputError, UnicodeDecodeError, MemoryError) as fault:
            return self._refuse(HTTPStatus.BAD_REQUEST, str(fault) or "not enough memory.")
        except OSError as fault:
            return self._refuse(HTTPStatus.BAD_REQUEST, f"{fault.filename}: {fault.strerror}.")
        self._send(HTTPStatus.OK, json.dumps(found, allow_nan=False).encode(), "application/json")

    def log_message(self, *_: object) -> None:
        """Say nothing: the address holds the token."""

    def version_string(self) -> str:
        """Return no version of anything."""
        return "teachlab"

    def _known(self, *names: str) -> str | None:
        """Return which of these names is asked for; None, with a refusal sent, where the address is another one."""
        port = self.server.server_port
        token, slash, name = self.path.removeprefix("/").partition("/")
        hosts = (f"{HOST}:{port}", f"localhost:{port}")
        right = hmac.compare_digest(token.encode(), self.server.token.encode())
        if self.headers.get("Host") in hosts and right and slash and name in names:
            return name
        self._refuse(HTTPStatus.NOT_FOUND, "there is nothing here: open the address as it was printed.")
        return None

    def _refuse(self, status: HTTPStatus, why: str) -> None:
        self.close_connection = True
        self._send(status, json.dumps({"error": why}).encode(), "application/json")

    def _send(self, status: HTTPStatus, content: bytes, kind: str) -> None:
        self.send_response(status)
        for name, value in {**HEADERS, "Content-Type": kind, "Content-Length": str(len(content))}.items():
            self.send_header(name, value)
        if self.close_connection:
            self.send_header("Connection", "close")
        self.end_headers()
        try:
            self.wfile.write(content)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True  # the page was closed meanwhile
