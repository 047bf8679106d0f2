"""`python -m bench.cli` is `hardstand`."""

import sys

from bench.cli import main

sys.exit(main())
