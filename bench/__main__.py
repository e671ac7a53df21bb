"""`python -m bench` is `nightbench`."""

from bench.cli import main

if __name__ == "__main__":
    main()
