"""Journal: every record kept, chained and checked, before anyone else hears of it. Also the outbox."""
