"""Kernels: arrays in, arrays out, compiled by numba.

They import numpy and numba only, and nothing else of the bench, so that they stay small
enough to be held against a plain twin.  They are imported late: nothing here is loaded
to print a help text.  Every function that is called from outside this folder is listed
in its module's `__all__`, has a public wrapper elsewhere that checks and prepares its
arguments, and a twin under `tests/twins/` that is written from the definition.
"""
