"""What to drive for each step, in words a builder can follow."""

from __future__ import annotations

CAUTION = "Kill switch at hand, nobody in reach. Record with: slipguard run --record FOLDER."

GUIDE = {
    "level": """\
Biases and mounting of the IMU. Ten minutes after switching on, on firm, level ground.
1. Let it stand for 20 seconds. Motor off, hands off.
2. Turn it round by about 180 degrees, within 15 seconds, near the same place: push or lift it
   round, or drive a half circle.
3. Let it stand for 20 seconds more. One recording holds all three.""",
    "noise": """\
Noise of the IMU. Motor off, on firm ground, no wind, nobody walking by.
1. Let it stand for five minutes (one at least). Record every IMU sample.""",
    "straight": """\
Counts a metre and dead or backward encoders. A firm, level floor, tyres as they will be used.
1. Draw two marks, 10 metres apart by tape. Stand with a wheel's axle above the first, 4 seconds.
2. Drive straight along a string or wall at walking pace. Start and stop briskly enough to feel,
   gently enough that no wheel slips.
3. Stop with the same axle above the second mark, or measure how far it went. Stand 4 seconds.""",
    "delay": """\
How much later than the IMU's the wheels' data arrive. Needs level; the floor of the line will do.
1. Stand for four seconds, wheels straight.
2. Start briskly, roll for half a metre to a metre, stop briskly; no wheel may slip. Stand for two
   seconds.
3. Ten times, all ahead, or ahead and back by turns. Stand for four seconds.""",
    "circle": """\
Track, steering and yaw gyro; swapped encoders. A firm, level floor. Two recordings.
1. Steer fully to the left and keep it. Mark where the nose points. Stand 4 seconds.
2. Drive whole turns (three are good), slowly, less than half a metre a second.
3. Stop with the nose where it pointed. Stand 4 seconds, still steering. Then the same to the
   right.
With skid steering: let go of the stick to stand; drive round slowly, both sides ahead, so that no
wheel hops or spins. There is no steer angle then; the track is the effective one, and wider.""",
    "deadband": """\
Throttle dead band and the way of reversing. WHEELS IN THE AIR, chassis on blocks.
1. Raise the throttle from neutral slowly, twenty seconds to full stick would be too fast: a
   fiftieth of the stick a second, until the wheels turn well. Back to neutral until they stand.
   Five times forward, five times backward (where it takes two taps, tap first, then sweep).
2. Then: forward, a third of the stick, for two seconds; straight to backward for a second;
   neutral for a second; backward for a second.""",
}
"""Step to instructions."""
