"""`python -m agent` is `shotgram`."""

import sys

from agent.commands.main import main

sys.exit(main())
