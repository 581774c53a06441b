"""``python -m cotterline.cli``: the same as the installed command."""

from cotterline.cli import main

main()
