"""Cautions that belong to what is spread."""

import shutil
from pathlib import Path

from zonemap.io.folder import read_folder
from zonemap.job import plan_field


def test_quick_nitrogen_beyond_a_pound_at_once_is_cautioned_on_turf(tmp_path):
    fields = Path(__file__).resolve().parents[2] / "sample_fields"
    folder = tmp_path / "turf"
    shutil.copytree(fields / "turf_greens", folder, ignore=shutil.ignore_patterns("plan*"))
    slow = plan_field(folder, out=tmp_path / "slow").plan
    text = (folder / "field.toml").read_text(encoding="utf-8")
    (folder / "field.toml").write_text(
        text.replace("release = { half_life_days = 35 } # an assumption\n", ""), encoding="utf-8"
    )
    assert read_folder(folder).products[0].release_half_life_days is None
    quick = plan_field(folder, out=tmp_path / "quick").plan

    # common practice: 1 lb N/1000 ft2, 4.88 g/m2
    assert any("burns turf; keep each time to 4.88 g/m2" in note.text for note in quick.notes)
    assert not any("burns turf; keep" in note.text for note in slow.notes)
