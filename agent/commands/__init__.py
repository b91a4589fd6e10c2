"""Commands: what a person types. Arguments and exit statuses; the work is done in the rooms."""
