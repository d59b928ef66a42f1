"""The command line, one module a command; a ZonemapError becomes one line on stderr.

Nothing heavy is imported before a command runs.
"""

from __future__ import annotations

import click

from zonemap import __version__
from zonemap.cli.batch import batch
from zonemap.cli.check import check
from zonemap.cli.compare import compare
from zonemap.cli.crops import crops
from zonemap.cli.plan import plan
from zonemap.cli.products import products
from zonemap.cli.review import review
from zonemap.cli.rules import rules
from zonemap.cli.sample import sample
from zonemap.cli.start import start

_EXAMPLES = """
Examples:

\b
  zonemap start my_field          write a commented field.toml beside a boundary and samples
  zonemap check my_field          read everything, say what is wrong and how to mend it
  zonemap plan my_field           surfaces, zones, rates and files for the spreader
  zonemap review my_field         look at the plan in a page, change it, publish it
  zonemap plan my_field --json    the same, numbers on stdout for another program
  zonemap batch 'farm/*'          many fields, several at a time
  zonemap crops                   the crop table, every figure with its source
  zonemap products                the product table, every figure with its source
  zonemap rules                   rules of public services for conventional extracts
  zonemap sample my_field         where to take samples, or where the next ones help most
  zonemap compare my_field        how alike two sets of samples rank the field, and where not

\b
Exit codes: 0 done; 1 done, but the result carries a refusal to read;
            2 the input cannot be used; 3 the output cannot be written.
"""


@click.group(epilog=_EXAMPLES, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="zonemap")
def main() -> None:
    """From sampled soil supply rates to zones and a prescription the spreader loads.

    A field folder holds field.toml, a boundary and samples; sample_fields/ has examples to look at.
    """


for _command in (plan, batch, review, check, start, sample, compare, crops, products, rules):
    main.add_command(_command)
