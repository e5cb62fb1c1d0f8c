"""``python -m teachlab`` and the command `teachlab`; imports are inside `main`, which catches interrupts."""

import sys


def main() -> None:
    """Run the command line; an interrupt while libraries load ends like one during the work."""
    try:
        from teachlab.cli import app

        app(prog_name="teachlab")
    except KeyboardInterrupt:
        sys.stderr.write("teachlab: interrupted; nothing half-written is left behind.\n")
        sys.exit(130)


if __name__ == "__main__":
    main()
