"""`python -m api`: the command `outlast`, where it is not installed, and in every child of it."""

import os
import sys

from api.cli import main
from api.process.children import end_with_parent

if __name__ == "__main__":
    end_with_parent(os.environ)
    sys.exit(main())
