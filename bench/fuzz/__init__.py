"""Rubbish on the line: attacks, what must not happen, and what breaks a board.

attacks/   from a profile: every attack by name, and cases laid on the line
oracles/   what of what was seen must not have happened
batch      very many cases on the simulated node
zoo/       boards that are wrong by a number
shrink/    the smallest case that still breaks a board
corpus/    cases kept as files
campaign/  case after case, resumed, on several cores
"""
