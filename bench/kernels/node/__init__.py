"""The simulated node, one file a part.

    records    what is constant, what is carried, what comes out
    receiver   characters into the FIFO, the idle timeout, what is lost
    parser     packets out of the characters that were taken
    unstuff    one packet out of its stuffed octets
    work       the foreground: rearranging, starting the output
    burst      the clock, the stop, the latch, what the chains hold
    cruise     whole interrupts at a time where nothing can happen (a shortcut)
    play       the loop over instants that joins them

The meaning is that of `bench/node/MODEL.md`; the twin in the tests is written from the
same page.
"""
