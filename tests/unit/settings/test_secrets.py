"""Secrets come from files or credentials, and are never told."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.settings.load import load
from agent.settings.secrets import SecretUnreadable, complaint, located, read_secret

from .conftest import Write


@pytest.mark.parametrize("content", ["tok-3n", "tok-3n\n", "tok-3n\r\n"])
def test_the_secret_is_the_line_without_its_end(tmp_path: Path, content: str) -> None:
    file = tmp_path / "token"
    file.write_bytes(content.encode())
    assert read_secret(file) == "tok-3n"


def test_spaces_inside_belong_to_the_secret(tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text(" a b \n")
    assert read_secret(file) == " a b "


def test_a_credential_is_found_where_systemd_put_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "mqtt-password").write_text("pw-9\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert read_secret(Path("$CREDENTIALS_DIRECTORY/mqtt-password")) == "pw-9"
    with pytest.raises(SecretUnreadable, match="no name of a credential"):
        located(Path("$CREDENTIALS_DIRECTORY/../etc/shadow"))


def test_a_credential_without_systemd_says_what_to_add(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    with pytest.raises(SecretUnreadable, match="LoadCredential=mqtt-password"):
        read_secret(Path("$CREDENTIALS_DIRECTORY/mqtt-password"))


@pytest.mark.parametrize(
    ("content", "why"),
    [(b"", "empty"), (b"\n", "empty"), (b"\xff\xfe", "not UTF-8"), (b"x" * 70_000, "larger")],
)
def test_what_is_no_secret_is_refused_without_telling_it(tmp_path: Path, content: bytes, why: str) -> None:
    file = tmp_path / "token"
    file.write_bytes(content)
    with pytest.raises(SecretUnreadable, match=why):
        read_secret(file)


def test_a_missing_file_is_named_when_it_is_needed(tmp_path: Path) -> None:
    with pytest.raises(SecretUnreadable, match="absent"):
        read_secret(tmp_path / "absent")


def test_a_secret_that_everybody_may_read_is_complained_of(tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text("tok")
    file.chmod(0o644)
    assert "chmod" in (complaint(file) or "")
    file.chmod(0o640)
    assert complaint(file) is None
    assert "not a file" in (complaint(tmp_path) or "")


def test_a_missing_secret_is_noted_and_never_a_fault(write: Write) -> None:
    # A capture is replayed on machines that have no business with the database.
    notes = load(write(("secrets/influx-token", "tok-3n-typed-here"))).notes
    assert [note for note in notes if note.startswith("influx.token_file")]
    assert not [note for note in notes if "tok-3n" in note]


def test_a_credential_stays_as_it_is_written(write: Write) -> None:
    site = load(write(('"secrets/influx-token"', '"$CREDENTIALS_DIRECTORY/influx"')))
    assert site.influx is not None
    assert site.influx.token_file == Path("$CREDENTIALS_DIRECTORY/influx")
