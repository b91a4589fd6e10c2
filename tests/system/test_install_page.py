"""The install page says what is there: its files, its configuration, the words of its script."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from agent.settings.load import load

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "deploy" / "README.md").read_text(encoding="utf-8")
SCRIPT = ROOT / "deploy" / "make-site.sh"


def fenced(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", PAGE, re.DOTALL)


def test_every_file_that_it_names_is_there() -> None:
    named = set(re.findall(r"(?<![\w/])((?:deploy|config)/[\w./*-]+\w)", "\n".join(fenced("sh"))))
    assert len(named) > 3
    for name in named:
        assert list(ROOT.glob(name)), name
    for link in re.findall(r"\]\(([\w./-]+)\)", PAGE):
        assert (ROOT / "deploy" / link).exists(), link


def test_its_configuration_can_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    example = (ROOT / "config" / "two-gun-cell.toml").read_text(encoding="utf-8")
    here, _, served, beside = (text.replace("/etc/shotgram", str(tmp_path)) for text in fenced("toml"))
    parts = re.split(r"^\[", here + served + beside, flags=re.MULTILINE)[1:]
    said = {part.split("]")[0]: part for part in parts}
    kept = [
        part
        for part in re.split(r"^(?=\[)", example, flags=re.MULTILINE)
        if part.split("]")[0].lstrip("[") not in said
    ]
    file = tmp_path / "cell.toml"
    file.write_text("".join(f"[{part}\n" for part in said.values()) + "".join(kept), encoding="utf-8")
    site = load(file)
    assert site.mqtt.uses_tls
    assert site.page.enabled
    assert site.standby is not None
    assert site.health.enabled
    assert str(site.state_dir) == "/var/lib/shotgram"


def test_the_script_tells_its_words() -> None:
    told = subprocess.run(["sh", str(SCRIPT), "--help"], capture_output=True, text=True, check=True).stdout
    words = re.findall(r"^    (--[a-z]+)\)", SCRIPT.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(words) >= 7
    for word in words:
        assert word in told
    assert "set -eu" not in told
    wrong = subprocess.run(["sh", str(SCRIPT), "--cel", "x"], capture_output=True, text=True, check=False)
    assert wrong.returncode == 2
    assert "--help" in wrong.stderr
