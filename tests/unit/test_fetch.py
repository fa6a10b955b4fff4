"""Fetching a model, from a server on this machine with made-up archives: good, torn, hostile and absent ones."""

import hashlib
import http.server
import io
import shutil
import threading
import zipfile
from pathlib import Path

import pytest

from models import fetch
from models.locate import is_model

NAME = "made-up-model"
FILES = {f"{NAME}/{path}": b"no real model" * 50 for path in ("am/final.mdl", "graph/HCLr.fst", "graph/Gr.fst")}


def packed(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return out.getvalue()


GOOD = packed(FILES)


@pytest.fixture
def serve():
    """serve(body, promised length) -> an entry of the manifest whose URL gives that."""
    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200 if self.path == "/model.zip" else 404)
            self.send_header("Content-Length", str(self.server.promised))
            self.end_headers()
            self.wfile.write(self.server.body)

        def log_message(self, *_):
            pass

    server = http.server.HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()

    def entry(body: bytes, promised: int | None = None, sha256: str = "", path: str = "model.zip") -> dict:
        server.body, server.promised = body, len(body) if promised is None else promised
        return {"name": NAME, "url": f"http://127.0.0.1:{server.server_port}/{path}", "sha256": sha256, "size_mb": 1}
    yield entry
    server.shutdown()
    server.server_close()
    thread.join(5)


def refused(model, into) -> str:
    with pytest.raises(fetch.NotFetched) as refusal:
        fetch.fetch(model, into)
    assert list(into.iterdir()) == []
    told = str(refusal.value)
    assert told.endswith(".") and "\n" not in told
    return told


def test_a_good_archive_is_installed_with_its_checksum(serve, tmp_path):
    told = []
    model = serve(GOOD, sha256=hashlib.sha256(GOOD).hexdigest())
    folder = fetch.fetch(model, tmp_path, told.append)
    assert is_model(folder) and folder == tmp_path / NAME
    assert (folder / "am/final.mdl").read_bytes() == FILES[f"{NAME}/am/final.mdl"]
    assert (tmp_path / f"{NAME}.sha256").read_text().startswith(hashlib.sha256(GOOD).hexdigest())
    assert told[-1].endswith("MB")
    assert {path.name for path in tmp_path.iterdir()} == {NAME, f"{NAME}.sha256"}
    assert fetch.fetch({**model, "url": "http://127.0.0.1:1/"}, tmp_path) == folder      # no second fetch


def test_bad_archives_leave_nothing_behind(serve, tmp_path):
    assert f"broke off at {len(GOOD)} of {len(GOOD) + 500} bytes; try again" in refused(serve(GOOD, promised=len(GOOD) + 500), tmp_path)
    assert "damaged" in refused(serve(GOOD[:len(GOOD) // 2]), tmp_path)
    assert "damaged" in refused(serve(GOOD, promised=len(GOOD) - 50), tmp_path)
    assert "damaged" in refused(serve(b"<html>please log in</html>"), tmp_path)
    spoiled = bytearray(GOOD)
    spoiled[60] ^= 0xFF
    assert "damaged" in refused(serve(bytes(spoiled)), tmp_path)
    assert "SHA-256" in refused(serve(GOOD, sha256="0" * 64), tmp_path)
    assert "no vosk model" in refused(serve(packed({f"{NAME}/README": b"empty"})), tmp_path)
    assert "404" in refused(serve(GOOD, path="elsewhere.zip"), tmp_path)


def test_the_first_checksum_is_demanded_ever_after(serve, tmp_path):
    folder = fetch.fetch(serve(GOOD), tmp_path)
    shutil.rmtree(folder)
    with pytest.raises(fetch.NotFetched, match=rf"not the file that came the first time.*{NAME}.sha256.*remove that file"):
        fetch.fetch(serve(packed({**FILES, f"{NAME}/extra": b"?"})), tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {f"{NAME}.sha256"}
    assert fetch.fetch(serve(GOOD), tmp_path) == folder


def test_from_a_local_archive_the_same_rules_hold(serve, tmp_path):
    model, archive, into = serve(GOOD), tmp_path / "a.zip", tmp_path / "installed"
    archive.write_bytes(GOOD)
    folder = fetch.fetch({**model, "url": "http://127.0.0.1:1/"}, into, archive=archive)
    assert is_model(folder) and archive.read_bytes() == GOOD and fetch.named_in(archive) == NAME
    shutil.rmtree(folder)
    archive.write_bytes(packed({**FILES, f"{NAME}/extra": b"?"}))
    with pytest.raises(fetch.NotFetched, match="not the file that came the first time"):
        fetch.fetch(model, into, archive=archive)
    (into / f"{NAME}.sha256").unlink()
    with pytest.raises(fetch.NotFetched, match="not the file that was checked"):
        fetch.fetch({**model, "sha256": "0" * 64}, into, archive=archive)


@pytest.mark.parametrize(("content", "told"), [(b"no zip", "no zip archive"), (packed({"a/b": b"", "c/d": b""}), "one folder"),
                                               (packed({"../b": b""}), "one folder"), (None, "can't be read")])
def test_an_archive_that_is_none_is_one_sentence(tmp_path, content, told):
    if content is not None:
        (tmp_path / "a.zip").write_bytes(content)
    with pytest.raises(fetch.NotFetched, match=told):
        fetch.named_in(tmp_path / "a.zip")


@pytest.mark.parametrize("name", ["../outside", f"{NAME}/../../outside", "/tmp/bowlside-outside", "..\\outside"])
def test_nothing_is_written_outside_the_folder(serve, tmp_path, name):
    into = tmp_path / "installed"
    into.mkdir()
    assert "outside its folder" in refused(serve(packed({**FILES, name: b"x"})), into)
    assert list(tmp_path.iterdir()) == [into]


def test_an_archive_that_would_fill_the_disk_is_refused(serve, tmp_path, monkeypatch):
    monkeypatch.setattr(fetch, "LARGEST_MB", 1)
    assert "more than 1 MB" in refused(serve(packed({**FILES, f"{NAME}/zeros": bytes(3 << 20)})), tmp_path)
    assert "larger than 1 MB" in refused(serve(bytes(3 << 20)), tmp_path)


def test_without_network_it_goes_on_with_one_sentence(tmp_path, capsys):
    model = {"name": NAME, "url": "http://127.0.0.1:1/model.zip", "sha256": "", "size_mb": 1}
    assert fetch.main([], model, tmp_path) == 1
    told = capsys.readouterr().err.lstrip("\r")
    assert "No model was fetched" in told and "goes on" in told and "Traceback" not in told
    assert len(told.splitlines()) == 1


@pytest.mark.parametrize(("answer", "installed"), [("y\n", True), ("n\n", False), ("\n", False), ("", False)])
def test_the_offer_installs_only_after_yes(serve, tmp_path, monkeypatch, answer, installed):
    monkeypatch.setattr("sys.stdin", io.StringIO(answer))
    assert fetch.main(["--offer"], serve(GOOD), tmp_path) == 0
    assert is_model(tmp_path / NAME) == installed


def test_a_folder_that_cannot_be_made_is_one_sentence(serve, tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(fetch.NotFetched, match="could not be written"):
        fetch.fetch(serve(GOOD), tmp_path / "file" / "installed")


def test_the_manifest_names_a_model_that_can_be_fetched():
    model = fetch.small_english()
    assert model["url"].startswith("https://") and model["url"].endswith(f"{model['name']}.zip")


def test_an_archive_of_countless_files_is_not_looked_through(tmp_path: Path) -> None:
    archive, into = tmp_path / "a.zip", tmp_path / "installed"
    archive.write_bytes(packed({f"{NAME}/{number}": b"" for number in range(fetch.MOST_FILES + 1)}))
    model = {"name": NAME, "url": "", "sha256": "", "size_mb": 1}
    for refused in (lambda: fetch.named_in(archive), lambda: fetch.fetch(model, into, archive=archive)):
        with pytest.raises(fetch.NotFetched, match="holds 1001 files, and a model at most 1000; nothing was installed"):
            refused()
    assert list(into.iterdir()) == []
