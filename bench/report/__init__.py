"""What people read: a page of fields for a finished trial, and a line on the way.

A page is made from what the ledger holds and knows nothing of terminals: the same page
is shown in colour, printed into a file and kept as `report.txt`.  Nothing that a
program reads passes through here.
"""
