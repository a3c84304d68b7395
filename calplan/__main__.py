"""``python -m calplan``: the same as the command ``calplan``."""

from calplan.cli import main

if __name__ == "__main__":
    main()
