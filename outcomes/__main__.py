"""Let `python -m outcomes` be the command."""

import sys

from outcomes.command import main

sys.exit(main())
