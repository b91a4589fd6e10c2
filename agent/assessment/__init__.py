"""Assessment: dispenses in; checks, balance, wear, advice, causes, release and alarms out. Pure."""
