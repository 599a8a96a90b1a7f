"""`python -m presence` is the command `presence`."""

from presence.cli import main

if __name__ == "__main__":
    main()
