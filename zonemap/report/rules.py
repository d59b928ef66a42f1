"""The recommendation rules as a page of text."""

from __future__ import annotations

import textwrap

from zonemap.agronomy.rule_cards import CARDS, DEFERS, Parameter, RuleCard

_WIDTH = 100


def rules_text() -> str:
    """Every rule: what it reads, what it needs beside that, its source and its caution."""
    cards = [_card_text(name, card) for name, card in CARDS.items()]
    return "\n\n".join([*cards, textwrap.fill(DEFERS, _WIDTH)])


def _card_text(name: str, card: RuleCard) -> str:
    extract = f", extracted with {card.extractants[0]}" if card.extractants else ""
    extract += f", to {card.least_depth_in:g} in or deeper" if card.least_depth_in else ""
    reads = f"reads   {card.quantity} in {' or '.join(card.units)}{extract}"
    gives = f"gives   {card.element or 'lime'}"
    needs = [f"needs   {key}: {_parameter_text(parameter)}" for key, parameter in card.parameters.items()]
    lines = [reads, gives, *needs, f"source  {card.source}"]
    lines += [f"note    {card.caution}"] if card.caution else []
    return "\n".join([f"{name}: {card.title}", *(_folded(line) for line in lines)])


def _parameter_text(parameter: Parameter) -> str:
    measured = f"; or measured as {', '.join(parameter.columns)}" if parameter.columns else ""
    default = f"; {parameter.default:g} where it is not stated" if parameter.default is not None else ""
    by_crop = "; by crop where it is not stated" if parameter.by_crop else ""
    return f"{parameter.meaning}{measured}{default}{by_crop}"


def _folded(line: str) -> str:
    return textwrap.fill(line, _WIDTH, initial_indent="  ", subsequent_indent=" " * 10, break_on_hyphens=False)
