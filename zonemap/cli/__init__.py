"""The command line, one module a command; a ZonemapError becomes one line on stderr.

Nothing heavy is imported before a command runs.
"""


def main() -> None:
    """Run the command line."""
