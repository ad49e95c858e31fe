"""`python -m loft` is the same as `loft`."""

from loft.cli import main

if __name__ == "__main__":
    main(prog_name="loft")
