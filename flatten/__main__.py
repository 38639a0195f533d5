"""`python -m flatten`: the same as the command `flatten`."""

from flatten.cli import main

if __name__ == "__main__":
    main()
