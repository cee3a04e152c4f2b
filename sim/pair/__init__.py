"""The RS-485 pair: drivers, cable, receivers, UARTs and noise.

`talk` holds the words that all share, `plant` what stands on the table. Two fidelities hear a pair
through one interface, `kerfbus.sim.pair.talk.PairLine`: `bitline` decides bit by bit, for long
runs; `sampled` computes voltages, for studies of causes.
"""
