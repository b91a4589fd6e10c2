"""Report: the journal as one page for people."""
