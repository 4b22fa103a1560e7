"""Where the process begins: `mixmon`, and `python -m mixmon`, which is the same.

Loading the rest takes some tenths of a second, so signals are handled first: an early Ctrl-C ends the process
quietly.
"""

import sys

from mixmon.cli.stopping import handle_for_good


def start() -> int:
    """Runs the command line of the process and returns its exit status."""
    handle_for_good()
    from mixmon.cli.main import main  # loads much

    return main()


if __name__ == "__main__":
    sys.exit(start())
