"""The simulated node, one file a part.

    records     what is constant, what is carried, what comes out
    views       what a node's record points to
    line        the cursor on the line
    receiver    characters completing, the idle timeout, a receiver that mutes
    fifo        what goes into the FIFO, what a look takes, what is lost
    ring        a ring in memory instead of it, and its laps
    parser      packets out of the octets that were taken
    packet      how packets begin and end
    examine     one packet, unstuffed and examined
    work        the foreground: rearranging, starting the output, a polled loop
    stolen      memory cycles that the output takes from it
    words       packet octets into port words, and back out of the chains
    burst       a burst begins: which output stage sends it
    clock       the exact grid of its clock
    clocked     port words by DMA: the stop, extra clocks, words that move late
    timer       one interrupt a bit
    port        hardware shifters, lane after lane
    lanes       UART lanes, and what their far end reads
    latch       the end of a burst, and whether the chains latched
    cut         a node begins anew
    play        the loop over instants that joins them
    memory      what need not be remembered any longer

and shortcuts, which can be switched off and change nothing but the time it takes:

    serve       one receive handler, looks and all
    cruise      whole interrupts at a time, by the sums of `ahead`, past what the
                parser need not look at, by the `foresight` that the line allows
    glide       the same for a ring in memory
    patrol      many passes of a polled loop at a time
    beat        output-bit interrupts one after another

The meaning is that of `bench/node/MODEL.md`; the twin in the tests is written from the
same page.
"""
