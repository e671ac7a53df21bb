"""A campaign: many cases, what became of them, and which of them are worth a look.

Nothing here knows of ledgers, processes or clusters; that is the face's business.

    job      a campaign as plain JSON
    batches  a block of cases on simulated nodes
    play     a block of cases on boards
    boards   one case after another over a link; what is done when a board dies
    onward   a link that goes on, as each case sees it
    tally    attacks × outcomes, and an example of everything that was broken
    finding  one thing that is wrong: the smallest case, as plain JSON
    verdict  what it all comes to
    digest   what of a profile a case depends on
"""
