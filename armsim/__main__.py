"""`python -m armsim`: the command, of the Python that runs it."""

from armsim.cli.main import main

if __name__ == "__main__":
    main()
