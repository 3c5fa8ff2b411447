"""``python -m blankoff``: the same as the command ``blankoff``."""

from blankoff.cli import main

if __name__ == "__main__":
    main()
