"""``python -m healthtrack.cli``: the same as ``healthtrack``."""

from healthtrack.cli import main

if __name__ == "__main__":
    main()
