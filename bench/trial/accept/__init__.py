"""Acceptance: the whole list of trials that a board has to pass.

    model    what a plan may hold
    load     from TOML text to a checked plan
    judged   what a step asked for, what came of it, and by how much
    result   what all steps come to

Nothing here carries a trial out: a plan is obeyed by `bench.api_accept`.
"""
