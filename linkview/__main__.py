"""`python -m linkview` is the `linkview` command."""

import sys

from linkview.cli import main

sys.exit(main())
