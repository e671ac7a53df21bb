"""A report in other forms than a page: for people, for CI, for other programs.

* `markdown`: the same document as text;
* `junit`: test suites, for whatever shows builds;
* `plain`: one strict JSON object;
* `tables`: the intervals or points as CSV and Parquet.

What was not observable is null, an empty cell or those words, never zero.
"""
