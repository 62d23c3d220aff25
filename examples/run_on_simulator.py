"""The whole live loop on a desk, embedded: a simulated rover crosses an axle twister.

    python examples/run_on_simulator.py

On a real rover three lines are enough:

    loop = Loop(Config.load("rover.yaml"))
    with stop_on_signals(loop), loop:
        loop.run()

Everything here is simulated and needs the physics engine; install it, in slipguard's
folder, with: pip install '.[sim]'.
"""

from __future__ import annotations

from slipguard.live import Loop, Round, VirtualClock
from slipguard.live.simulated import SimulatedRover
from slipguard.simulate import DEMO_ROVER, make


def watch(done: Round) -> None:
    """Called every round, in the loop's thread: be quick. Here: say what the driver is told."""
    for alert in done.alerts:
        print(f"{alert.t_s:7.2f} s  {alert.level:8}  {alert.message}")


def main() -> None:
    """Drive to the end of the scenario, as fast as the computer can."""
    clock = VirtualClock()  # MonotonicClock() for real time
    rover = SimulatedRover(make("twister", 1, DEMO_ROVER), DEMO_ROVER, 1, clock)
    loop = Loop(
        DEMO_ROVER,
        host=rover.host(DEMO_ROVER, clock, threads=False),  # plugins: here the simulated rover's
        operator=rover,  # and its driver
        clock=clock,
        threads=False,
    )
    loop.watchers.append(watch)
    with loop:  # however it ends, the actuators are left in their safe state
        loop.run(lambda: rover.finished)
    print(f"{loop.timing.rounds} rounds, {rover.plant.truth().x_m:.1f} m driven")


if __name__ == "__main__":
    main()
