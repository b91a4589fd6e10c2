"""deploy/signed-config.sh: what is not signed, or older than what was in use, never reaches the agent."""

import subprocess
from pathlib import Path

import pytest

pytestmark = pytest.mark.real_part("ssh-keygen")
SCRIPT = Path(__file__).parents[2] / "deploy" / "signed-config.sh"


class Desk:
    """Someone who may sign, and a machine that checks."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.config, self.out, self.state = folder / "cell.toml", folder / "out.toml", folder / "state"
        self.state.mkdir()
        self.signers = folder / "signers"
        public = self.key("signer")
        self.signers.write_text(f"configuration {public}\n")

    def key(self, name: str) -> str:
        made = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(self.folder / name)]
        subprocess.run(made, check=True)
        return (self.folder / f"{name}.pub").read_text().strip()

    def sign(self, text: str, *, key: str = "signer", purpose: str = "shotgram-configuration") -> None:
        self.config.write_text(text)
        Path(f"{self.config}.sig").unlink(missing_ok=True)
        subprocess.run(
            ["ssh-keygen", "-q", "-Y", "sign", "-f", self.folder / key, "-n", purpose, self.config],
            check=True,
            capture_output=True,
        )

    def check(self) -> "subprocess.CompletedProcess[str]":
        words = ["sh", SCRIPT, "check", self.config, self.signers, self.state, self.out]
        return subprocess.run([str(word) for word in words], capture_output=True, text=True, check=False)

    def refused(self, why: str) -> None:
        before = self.out.read_bytes() if self.out.exists() else None
        done = self.check()
        assert done.returncode == 2
        assert why in done.stderr
        assert (self.out.read_bytes() if self.out.exists() else None) == before


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def test_a_signed_configuration_is_handed_over(desk: Desk) -> None:
    desk.sign("# version: 3\n[agent]\n")
    assert desk.check().returncode == 0
    assert desk.out.read_text() == "# version: 3\n[agent]\n"
    assert desk.out.stat().st_mode & 0o077 == 0
    assert desk.check().returncode == 0, "the same one again, at the next start"


def test_one_changed_byte_is_refused(desk: Desk) -> None:
    desk.sign("# version: 3\ntolerance_pct = 5.0\n")
    desk.check()
    desk.config.write_text("# version: 3\ntolerance_pct = 9.0\n")
    desk.refused("signature")


def test_a_stranger_and_a_signature_for_something_else_are_refused(desk: Desk) -> None:
    desk.key("stranger")
    desk.sign("# version: 3\n", key="stranger")
    desk.refused("signature")
    desk.sign("# version: 3\n", purpose="file")
    desk.refused("signature")
    Path(f"{desk.config}.sig").unlink()
    desk.refused("cannot be read")


def test_an_older_one_is_refused_though_it_was_signed(desk: Desk) -> None:
    desk.sign("# version: 10\nnew = 1\n")
    assert desk.check().returncode == 0
    desk.sign("# version: 9\nold = 1\n")
    desk.refused("version 10 was in use already")


@pytest.mark.parametrize(
    "text", ["[agent]\n", "# version: x\n", "# version: 1\n# version: 2\n", "# version: -1\n"]
)
def test_a_version_that_is_none_is_refused(desk: Desk, text: str) -> None:
    desk.sign(text)
    desk.refused("exactly one line")


def test_a_damaged_memory_fails_closed(desk: Desk) -> None:
    desk.sign("# version: 3\n")
    (desk.state / "config-version").write_text("")
    desk.refused("holds no number")
