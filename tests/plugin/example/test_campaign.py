"""Attacks on the whole firmware, made from its own packets, in real time."""


def test_attacks(nightbench_campaign, nightbench_child):
    """Nothing is shown that must not be, and good packets are shown afterwards."""
    result = nightbench_campaign.attack(nightbench_child, cases=40)
    assert result.verdict == "PASS", nightbench_campaign.notes(result)
