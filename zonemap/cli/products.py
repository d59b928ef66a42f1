"""``zonemap products``: the product table, every figure with its source."""

from __future__ import annotations

import click

from zonemap.cli.door import one_line_errors


@click.command(epilog="Example:  zonemap products urea")
@click.argument("kind", required=False, metavar="[KIND]")
@click.option("--json", "as_json", is_flag=True, help="Print the table as JSON on stdout and nothing else.")
@one_line_errors
def products(kind: str | None, as_json: bool) -> int:  # noqa: FBT001 - click's way
    """List the products that `like` in a [[product]] table may name, or all that is known of one."""
    import json

    from zonemap.products.table import product_kinds, product_row
    from zonemap.report.products import product_json, product_text, products_text

    rows = [product_row(each, where="products, KIND") for each in ([kind] if kind else product_kinds())]
    if as_json:
        click.echo(json.dumps({row.kind: product_json(row) for row in rows}, indent=2, ensure_ascii=False))
    else:
        click.echo(product_text(rows[0]) if kind else products_text(rows))
    return 0
