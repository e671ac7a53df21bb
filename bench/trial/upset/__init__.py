"""Upsets: something happens to the bus or to the boards, and the traffic goes on.

Each named trial is good traffic, one upset, good traffic again.  The schedule is one
that any trial could have; what happens to the line happens between it and the nodes
(`line`, `link`), so everything goes the one path of the bench.  Afterwards it is looked
at what every node showed (`account`), against what it may have heard (`referee`) and by
when it has to be itself again (`bound`).

    named      which trials there are, and when and how each of them strikes
    traffic    the schedule of a trial, whole, and what each node is to show of it
    line       what nodes hear instead of what was sent
    link       the way to the nodes with that in between
    bound      from when on every packet has to be shown
    referee    what a receiver that does everything right finds in what was heard
    account    what each node did: shown, unseen, wrong; and what that says
    run        all of it, one trial after another
"""
