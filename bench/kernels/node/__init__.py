"""The simulated node, one file a part.

    records     what is constant, what is carried, what comes out
    views       what a node's record points to
    line        the cursor on the line
    receiver    characters into the FIFO, the idle timeout, what is lost
    parser      packets out of the octets that were taken
    packet      how packets begin and end
    examine     one packet, unstuffed and examined
    work        the foreground: rearranging, starting the output
    burst       the clock, the stop, the latch, what the chains hold
    play        the loop over instants that joins them
    memory      what need not be remembered any longer

and two shortcuts, which can be switched off and change nothing but the time it takes:

    serve       one receive handler, looks and all
    cruise      whole interrupts at a time, by the sums of `ahead`, past what the
                parser need not look at, by the `foresight` that the line allows

The meaning is that of `bench/node/MODEL.md`; the twin in the tests is written from the
same page.
"""
