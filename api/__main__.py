"""`python -m api`: the command `outlast`, where it is not installed."""

import sys

from api.cli import main

if __name__ == "__main__":
    sys.exit(main())
