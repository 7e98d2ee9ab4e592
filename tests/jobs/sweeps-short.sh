# The same as `sweeps`, fewer points.
LAPWING_SWEEP_POINTS=3000 exec bash tests/jobs/sweeps.sh
