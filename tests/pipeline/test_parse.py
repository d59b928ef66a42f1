"""A pipeline is checked before anything runs; the error names the key."""

import pytest

from zonemap.errors import InputError
from zonemap.pipeline.parse import parameters_of, parse_pipeline, read_pipeline, shipped_pipelines
from zonemap.pipeline.stages import STAGES


@pytest.fixture
def text():
    return read_pipeline("season_supply").text


def test_four_pipelines_are_shipped():
    assert shipped_pipelines() == ("extract_rules", "one_composite", "rate_table", "season_supply")


@pytest.mark.parametrize("name", shipped_pipelines())
def test_every_shipped_pipeline_is_complete(name):
    assert set(read_pipeline(name).methods) == set(STAGES)


def test_every_parameter_of_every_method_is_typed_and_documented():
    for stage, methods in STAGES.items():
        for name, method in methods.items():
            for parameter in parameters_of(stage, method).values():
                assert parameter.annotation is not parameter.empty, (stage, name, parameter.name)


@pytest.mark.parametrize(
    ("change", "mend"),
    [
        (("least_gain", "least_gains"), r"zone_count.least_gains: .* Did you mean least_gain\?"),
        (('use = "k_means"', 'use = "kmeans"'), r"zones.use: .* Did you mean k_means\?"),
        (("[zone_count]", "[zone_counts]"), r"\[zone_counts\] is not a stage. Did you mean zone_count\?"),
        (("most = 8", 'most = "8"'), r"zone_count.most: '8' does not fit. Input should be a valid integer"),
        (("most = 8", "most = true"), r"zone_count.most: True does not fit"),
        (('family = "auto"', 'family = "gaussian"'), r"surface.family: .* Input should be 'auto'"),
        (('[limits]\nuse = "clamp_and_round"', ""), r"\[limits\] is missing. Add it with use = one of clamp_and_round"),
        (('[limits]\nuse = "clamp_and_round"', "[limits]"), r"limits: 'use' is missing"),
        (("[screen]", "[screen"), "is not TOML"),
        (('use = "by_value"', 'use = "fixed"'), r"zone_count.(most|least_gain)"),
    ],
)
def test_a_wrong_key_is_named_with_its_mend(text, change, mend):
    assert change[0] in text
    with pytest.raises(InputError, match=mend):
        parse_pipeline(text.replace(*change), name="mine")


def test_a_needed_key_is_asked_for(text):
    broken = text.replace('use = "by_value"', 'use = "fixed"').replace("most = 8\n", "")
    broken = "\n".join(line for line in broken.splitlines() if not line.startswith("least_gain"))
    with pytest.raises(InputError, match=r"zone_count.count: fixed needs it. Add count"):
        parse_pipeline(broken, name="mine")


def test_what_the_flow_provides_is_not_a_key(text):
    with pytest.raises(InputError, match="'count' is not a parameter of k_means"):
        parse_pipeline(text.replace('use = "k_means"', 'use = "k_means"\ncount = 3'), name="mine")


def test_an_unknown_pipeline_lists_the_shipped_ones():
    with pytest.raises(InputError, match="one of extract_rules, one_composite, rate_table, season_supply"):
        read_pipeline("no_such_pipeline")


def test_a_whole_number_serves_where_a_fraction_is_asked(text):
    parse_pipeline(text.replace('use = "square_cells"', 'use = "square_cells"\ncell_m = 5'), name="mine")
