"""Field folders by name and by pattern."""

from __future__ import annotations

from pathlib import Path

import pytest

from zonemap.errors import InputError
from zonemap.io.field_folders import field_folders


@pytest.fixture
def farm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("farm/north/2026", "farm/south/2026", "farm/south/2025", "farm/[odd]", "farm/empty"):
        (tmp_path / name).mkdir(parents=True)
        if name != "farm/empty":
            (tmp_path / name / "field.toml").touch()
    (tmp_path / "farm" / "README.txt").touch()
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("named", "found"),
    [
        (["farm/*/2026"], ["farm/north/2026", "farm/south/2026"]),
        (["farm/south"], ["farm/south/2025", "farm/south/2026"]),
        (["farm/south/2026", "farm/**"], ["farm/south/2026", "farm/[odd]", "farm/north/2026", "farm/south/2025"]),
        (["farm/[odd]"], ["farm/[odd]"]),
        (["farm/[n]*/20?6"], ["farm/north/2026"]),
        (["farm/north/2026", "farm/north/../north/2026"], ["farm/north/2026"]),
    ],
    ids=["pattern", "folder of folders", "none twice", "brackets in a name", "classes", "two ways to one"],
)
def test_fields_are_found_in_the_order_named(farm: Path, named: list[str], found: list[str]) -> None:
    assert [folder.as_posix() for folder in field_folders(named)] == found
    assert [folder.resolve() for folder in field_folders(str(farm / name) for name in named)] == [
        (farm / name).resolve() for name in found
    ]


@pytest.mark.parametrize(
    ("named", "told"),
    [
        ("farm/empty", "'farm/empty': leads to no folder with a field.toml"),
        ("farm/*/2027", "leads to no folder with a field.toml"),
        ("fram/north", "'fram/north': is no folder"),
        ("farm/README.txt", "is no folder"),
    ],
)
def test_what_leads_to_no_field_is_named_before_anything_is_planned(farm: Path, named: str, told: str) -> None:
    del farm
    with pytest.raises(InputError, match=told.replace("*", r"\*")):
        field_folders(["farm/south", named])
