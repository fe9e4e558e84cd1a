"""A simulated board behind a real port, in a process of its own, paced in real time.

What it does not model, so that nothing is concluded from it that only hardware can show:

- voltages on the line: what a receiver hears is decided by rules (`wiring`); only a meter sees volts and ohms
  (`circuit`, `supplies`), and those are steady ones;
- parts that only keep order (capacitors, pull-ups where a chip has its own, the cell): without them nothing fails, and
  the bench says of such a fault that it changes nothing that a stage can see (`signs`);
- the operator: every probe touches the right pad and every repair succeeds (`oracle`, `hands`);
- the parts behind the chip: a logic level per bit, no edges and no times (`logger`);
- USB: no adapter latency, no packets, no divisor error of the adapter's clock;
- a pseudo terminal carries no parity, no line errors, no break and no control lines: a character with a wrong parity or
  stop bit arrives as its bare byte, a break as 00, and the adapter's frame is told over the control connection;
- the receivers are ideal (`protocols.waveform`) and, where rates or frames differ, see one burst at a time: a character
  that would straddle two bursts is cut at their border;
- within a run of characters, bytes are handed over up to a millisecond late, as an adapter's packets do; as much as the
  last byte of a run was late on a busy machine, the next question is taken to have come earlier;
- without a common ground, with noise or with an intermittent joint, what passes is drawn from a seeded generator: the
  kind of symptom is meant, never its frequency;
- damage: nothing ever breaks, whatever is shorted or driven.
"""
