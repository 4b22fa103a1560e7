"""`python -m mixmon` is the same as `mixmon`."""

import sys

from mixmon.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
