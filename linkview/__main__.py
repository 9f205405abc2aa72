"""`python -m linkview` and the `linkview` command."""

import sys


def run() -> int:
    """Runs one command; a Ctrl-C while the program itself still loads ends it in words too."""
    try:
        from linkview.cli import main

        return main()
    except KeyboardInterrupt:
        print("linkview: stopped; nothing half-written is left", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(run())
