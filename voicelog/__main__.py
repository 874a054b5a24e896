"""``python -m voicelog``: the command line."""

import sys

from voicelog.cli import main

sys.exit(main())
