"""Attack cases: drawn, laid on a line, heard, judged; many at a time.

    records   the attacks' numbers, pieces of the line, what the stages hand on
    draw      rows of integers from a seed and a number
    pieces    what a row means: the piece of the line that it becomes
    write     one piece as octets: built, spoiled, stuffed
    levels    one piece level by level, and the receiver of those levels
    send      pieces on the line's grid, with their rows
    lay       whole cases, the good traffic around them in it
    hear      what of the line got into a node's receiver
    find      the referee: the packets that a receiver following the profile finds
    judge     what was shown beside what was found

The referee shares no line with the simulated node's parser; its plain twin is the
sans-IO decoder, which standards check.
"""
