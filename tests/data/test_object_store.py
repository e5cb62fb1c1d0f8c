"""Recordings, passes, settings and studies in a real object store, started here; and over https, range by range."""

from __future__ import annotations

import datetime
import json
import logging
import os
import shlex
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest
import shell

import teachlab
from teachlab.data.addresses import divided, found_at, joined, put, stem_of
from teachlab.data.opening import open_pair
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.recording_places import find_recordings
from teachlab.data.setting_files import read_setting, write_setting
from teachlab.data.truth_files import read_truth, write_truth
from teachlab.errors import InputError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from tests.studies.family.made_lines import content, line, write_line

GRID = {"quantile-guard": {"position": [0.3, 0.6]}}


@dataclass
class Store:
    """The store: where it is, and what was asked of it."""

    port: int
    asked: list[tuple[str, str, str, int]] = field(default_factory=list)
    closed: set[str] = field(default_factory=set)
    """Methods that it refuses."""

    def at(self, name: str) -> str:
        """Return the address of a name."""
        where = quote(f"127.0.0.1:{self.port}", safe="")
        return f"s3://lines/{name}?endpoint_override={where}&scheme=http&region=us-east-1"

    def served(self, name: str) -> int:
        """Return how many bytes of a name were served since `asked` was emptied."""
        return sum(size for method, path, _, size in self.asked if method == "GET" and path.endswith(name))


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    server = pytest.importorskip("moto.server")
    from pyarrow import fs
    from werkzeug.serving import make_server

    inner = server.DomainDispatcherApplication(server.create_backend_app)
    asked: list[tuple[str, str, str, int]] = []
    closed: set[str] = set()

    def counting(environ: Any, start: Any) -> Any:
        def started(status: str, headers: Any, *more: Any) -> Any:
            size = next((int(v) for k, v in headers if k.lower() == "content-length"), 0)
            asked.append((environ["REQUEST_METHOD"], environ["PATH_INFO"], environ.get("HTTP_RANGE", ""), size))
            return start(status, headers, *more)

        if environ["REQUEST_METHOD"] in closed:
            start("403 Forbidden", [("Content-Length", "0")])
            return [b""]
        return inner(environ, started)

    given = {"AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test", "AWS_EC2_METADATA_DISABLED": "true"}
    before = {name: os.environ.get(name) for name in given}
    os.environ.update(given)
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    httpd = make_server("127.0.0.1", 0, counting, threaded=True)
    thread = threading.Thread(target=httpd.serve_forever, daemon=True)
    thread.start()
    system = fs.S3FileSystem(
        endpoint_override=f"127.0.0.1:{httpd.server_port}",
        scheme="http",
        region="us-east-1",
        allow_bucket_creation=True,
    )
    system.create_dir("lines")
    yield Store(httpd.server_port, asked, closed)
    httpd.shutdown()
    thread.join()
    httpd.server_close()
    for name, value in before.items():
        if value is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = value


def put_line(store: Store, name: str, seed: int, *, weak: float = 0.0) -> str:
    """Write a line into the store."""
    recording, truth = line(seed, weak=weak)
    write_recording(store.at(f"{name}.parquet"), recording)
    write_truth(store.at(f"{name}.passes.parquet"), truth)
    return store.at(f"{name}.parquet")


def test_what_is_written_is_read_back(store: Store) -> None:
    address = put_line(store, "round/l1", 1)
    recording, truth = line(1)
    back = read_recording(address)
    assert back.name == "l1"
    assert back.light[:].tolist() == recording.light[:].tolist()
    assert read_truth(store.at("round/l1.passes.parquet")).start.tolist() == truth.start.tolist()
    setting = Setting(unit="counts", on_level=30, off_level=25)
    write_setting(store.at("round/s.json"), setting)
    assert read_setting(store.at("round/s.json")) == setting
    found = teachlab.replay(address, setting)
    assert found.worth.score.lost_rate.events == 0


def test_commands_take_addresses_on_both_sides(store: Store, tmp_path: Path) -> None:
    def run(*words: str) -> Any:
        return shell.run(*words)

    run("synth", "demo", "--passes", "12", "--out", store.at("made/tubs.parquet"))
    made = json.loads(run("inspect", store.at("made/tubs.parquet"), "--json").stdout)
    assert made["passes"] == 12
    Path(tmp_path / "log.csv").write_text("light\n" + "".join(f"{k % 7}\n" for k in range(50)))
    words = ["--column", "light", "--unit", "mV", "--no-time", "--rate", "100"]
    run("import", str(tmp_path / "log.csv"), *words, "--out", store.at("made/log.parquet"))
    assert read_recording(store.at("made/log.parquet")).samples == 50
    run("import", store.at("made/tubs.parquet"), "--from", "1", "--to", "3", "--out", store.at("made/part.parquet"))
    part, passes = open_pair(store.at("made/part.parquet"))
    assert part.samples >= 2000
    assert 0 < passes.passes < 12
    run("teach", store.at("made/tubs.parquet"), "--strategy", "quantile-guard", "--out", store.at("made/s.json"))
    told = json.loads(
        run("replay", store.at("made/tubs.parquet"), "--setting", store.at("made/s.json"), "--edges",
            store.at("made/e.csv"), "--json").stdout
    )  # fmt: skip
    assert told["score"]["detect_passes"] == 12
    assert read_setting(store.at("made/s.json")).taught is not None


def test_moved_passes_go_to_addresses_and_next_steps_name_them(store: Store) -> None:
    made = shell.invoke("synth", "demo", "--passes", "60", "--out", store.at("moved/tubs.csv"))
    assert "Next: teachlab import" in made.stdout
    words = made.stdout.partition("Next: teachlab ")[2].split("\n")[0]
    shell.run(*shlex.split(words), "--shift-ms", "40")
    log, out = store.at("moved/tubs-log.parquet"), store.at("moved/back.parquet")
    shell.run("align", log, "--out", out)
    before, after = (read_truth(store.at(f"moved/{name}.passes.parquet")) for name in ("tubs-log", "back"))
    moved = int(np.median(after.start[1:-1] - before.start[1:-1]))
    assert moved == pytest.approx(-40, abs=3)
    assert open_pair(out)[1].passes == after.passes


@pytest.mark.parametrize(("name", "start"), [("w.wav", b"RIFF"), ("m.mat", b"MATLAB 5.0 MAT-file")])
def test_formats_whose_readers_open_files_themselves_are_not_read_from_addresses(
    store: Store, tmp_path: Path, name: str, start: bytes
) -> None:
    (tmp_path / name).write_bytes(start)
    put(tmp_path / name, store.at(name))
    done = shell.run("import", store.at(name), "--unit", "mV", "--out", store.at("w.parquet"), code=2)
    assert "read from local folders only. Copy it first." in done.output


def test_patterns_and_folders_of_a_store_mean_recordings(store: Store) -> None:
    for name in ("many/a/l1", "many/b/l2", "many/l3"):
        put_line(store, name, 1)
    all_of_them = [store.at(f"many/{name}.parquet") for name in ("a/l1", "b/l2", "l3")]
    assert find_recordings([store.at("many/")]) == all_of_them
    assert find_recordings([store.at("many/**/*.parquet")]) == all_of_them
    assert find_recordings([store.at("many/*.parquet")]) == all_of_them[2:]
    assert find_recordings([store.at("many/?/l?.parquet")]) == all_of_them[:2]
    with pytest.raises(InputError, match="no recording is found"):
        find_recordings([store.at("none/*.parquet")])


def test_a_complete_study_in_a_store_that_takes_nothing_is_told(store: Store) -> None:
    for seed in (1, 2):
        put_line(store, f"read/l{seed}", seed)
    out = store.at("read-only")
    first = teachlab.study(store.at("read/*.parquet"), GRID, draws=2, out=out)
    store.closed.update({"PUT", "POST", "DELETE"})
    try:
        found = teachlab.study(store.at("read/*.parquet"), GRID, draws=2, out=out)
        assert (first.written, found.written) == (True, False)
        assert found.as_dict() == first.as_dict()
        assert not teachlab.study(store.at("read/l1.parquet"), GRID, draws=2, out=out).written
        # What was worked would be lost.
        with pytest.raises(InputError, match="cannot be written"):
            teachlab.study(store.at("read/*.parquet"), GRID, draws=3, out=out)
    finally:
        store.closed.clear()
    assert teachlab.study(store.at("read/*.parquet"), GRID, draws=2, out=out).written


def test_a_study_from_and_into_a_store_goes_on_and_equals_one_on_disk(store: Store, tmp_path: Path) -> None:
    for seed, name in enumerate(("l0", "l1", "Prüfling [2] 3 %")):
        put_line(store, f"rec/{name}", seed, weak=0.1)
    out = store.at("out")

    def interrupt(done: int, of: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        teachlab.study(store.at("rec/*.parquet"), GRID, draws=3, out=out, progress=interrupt)
    found = teachlab.study(store.at("rec/*.parquet"), GRID, draws=3, out=out)
    teachlab.study(store.at("rec/*.parquet"), GRID, draws=3, out=tmp_path)
    local = content(tmp_path)
    listed = found_at(store.at("out/"))
    assert listed is not None
    names = {divided(one)[0].removeprefix("s3://lines/out/") for one in listed}
    assert names == set(local)
    for name in names:
        with read_bytes(store.at(f"out/{name}")) as file:
            assert file.read() == local[name], name
    assert found.to_pandas().recording.unique().tolist() == ["Prüfling [2] 3 %", "l0", "l1"]
    # A smaller study takes away what is no part of it.
    teachlab.study(store.at("rec/l1.parquet"), GRID, draws=3, out=out)
    assert sum("rows.parquet" in one for one in found_at(store.at("out/")) or ()) == 1


def read_bytes(address: str) -> Any:
    from teachlab.data.parquet_source import open_input

    return open_input(address, "a file", InputError)


def test_only_what_is_needed_is_fetched(store: Store) -> None:
    rng = np.random.default_rng(1)
    light = rng.integers(0, 4000, 1_500_000).astype(np.uint16)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    write_recording(store.at("long.parquet"), Recording.from_array(light, info))
    store.asked.clear()
    opened = read_recording(store.at("long.parquet"))
    size = store.served("long.parquet")
    assert all(one[2] for one in store.asked if one[0] == "GET")  # ranges alone
    assert 0 < size < 200_000
    assert opened.light[700_000:700_100].tolist() == light[700_000:700_100].tolist()
    # One row group of 2^16 samples of two bytes, and the footer.
    assert store.served("long.parquet") - size < 200_000
    whole = sum(block.light.size for block in opened.blocks())
    assert whole == light.size
    assert store.served("long.parquet") > 2_000_000


def test_addresses_that_lead_nowhere_are_told(store: Store) -> None:
    for words, says in (
        (["inspect", store.at("no.parquet")], "there is no such file"),
        (["inspect", "https://127.0.0.1:1/a.parquet"], "there is no such file, or its server does not answer"),
        (["inspect", "s4://lines/a.parquet"], "s4"),
        (["synth", "demo", "--passes", "3", "--out", "https://example.org/a.parquet"], "is for reading"),
        (["synth", "demo", "--passes", "3", "--out", "s4://lines/a.parquet"], "s4"),
    ):
        done = shell.run(*words, code=2)
        assert says in done.output


def test_names_of_addresses() -> None:
    assert joined("s3://a/b/?x=1", "c.parquet") == "s3://a/b/c.parquet?x=1"
    assert stem_of("s3://a/b.c.parquet?endpoint=1.2.3.4") == "b.c"
    assert divided("s3://a/l?.parquet") == ("s3://a/l?.parquet", "")


class _Ranges(SimpleHTTPRequestHandler):
    """Serves files, and ranges of them."""

    served: int = 0

    def do_GET(self) -> None:
        file = Path(self.directory) / self.path.lstrip("/")
        if not file.is_file():
            self.send_error(404)
            return
        whole, asked = file.read_bytes(), self.headers.get("Range")
        first, last = 0, len(whole) - 1
        if asked is not None:
            low, _, high = asked.removeprefix("bytes=").partition("-")
            first, last = int(low), min(last, int(high) if high else last)
        part = whole[first : last + 1]
        self.send_response(200 if asked is None else 206)
        self.send_header("Accept-Ranges", "bytes")
        self.send_header("Content-Range", f"bytes {first}-{last}/{len(whole)}")
        self.send_header("Content-Length", str(len(part)))
        self.end_headers()
        self.wfile.write(part)
        type(self).served += len(part)

    def end_headers(self) -> None:
        if self.command == "HEAD":
            self.send_header("Accept-Ranges", "bytes")
        super().end_headers()

    def log_message(self, *words: Any) -> None:
        pass


def self_signed(folder: Path) -> tuple[Path, Path]:
    """Write a certificate for localhost, signed by itself, and its key."""
    x509 = pytest.importorskip("cryptography.x509")
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "localhost")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(1).not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    pem, secret = folder / "cert.pem", folder / "key.pem"
    pem.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    secret.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return pem, secret


def test_a_recording_is_read_over_https_range_by_range(tmp_path: Path) -> None:
    pytest.importorskip("aiohttp")
    place = tmp_path / "served"
    write_line(place / "l.parquet", 2)
    rng = np.random.default_rng(1)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    write_recording(
        place / "long.parquet", Recording.from_array(rng.integers(0, 4000, 400_000).astype(np.uint16), info)
    )
    pem, secret = self_signed(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(pem, secret)

    class Here(_Ranges):
        def __init__(self, *given: Any, **more: Any) -> None:
            super().__init__(*given, directory=str(place), **more)

    with ThreadingHTTPServer(("localhost", 0), Here) as httpd:
        httpd.socket = context.wrap_socket(httpd.socket, server_side=True)
        threading.Thread(target=httpd.serve_forever, daemon=True).start()
        root = f"https://localhost:{httpd.server_port}"
        code = (
            "import teachlab, json, sys\n"
            f"found = teachlab.study('{root}/l.parquet', ['quantile-guard'], draws=2)\n"
            f"long = teachlab.read_recording('{root}/long.parquet')\n"
            "print(json.dumps([len(found.to_pandas()), found.to_pandas().recording[0], long.light[0:3].tolist()]))"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, env={**os.environ, "SSL_CERT_FILE": str(pem)},
            check=False,
        )  # fmt: skip
        httpd.shutdown()
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)[:2] == [1, "l"]
    # Footer and one row group of the long one, the small one whole a few times: never the long one as a whole.
    assert _Ranges.served + Here.served < 0.6 * (place / "long.parquet").stat().st_size + 60_000
