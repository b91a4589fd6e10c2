"""What `[journal]` says is what the journal holds to: a megabyte is a million bytes, a day 86,400 s."""

from __future__ import annotations

from pathlib import Path

from agent.runtime.wiring import journal_of
from agent.settings.load import load

from .test_way_in import SITE

JOURNAL = """
[journal]
quota_mb = 100
ballast_mb = 2
free_mb = 300
keep_rows = 5000
keep_days = 700
keep_raw_days = 30
"""


def test_the_settings_of_the_journal_are_its_limits(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE.replace("[[setups]]", f"{JOURNAL}\n[[setups]]", 1))
    journal = journal_of(load(tmp_path / "site.toml"))
    try:
        limits = journal.limits
        assert (limits.quota_bytes, limits.keep_bytes) == (100_000_000, 80_000_000)
        assert (limits.ballast_bytes, limits.low_disk_bytes) == (2_000_000, 300_000_000)
        assert (limits.keep_rows, limits.keep_s, limits.keep_raw_s) == (5000, 700 * 86400.0, 30 * 86400.0)
        assert (tmp_path / "state" / "journal.ballast").stat().st_size == 2_000_000
    finally:
        journal.close()
