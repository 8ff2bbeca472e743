"""``python -m diskmosaic`` is the ``diskmosaic`` command."""

from diskmosaic.cli import main

if __name__ == "__main__":
    main()
