"""What attacks came to, for people.

Pages are made from what ledgers hold, and from nothing else.

    note   one finding as a note: what to send, what should happen, what did
    page   a campaign: attacks × outcomes, then its findings
    zoo    the bench's own exam: every bad node, and by what it was found
    told   on the way
"""
