"""Lives many histories: `python -m tests.life.live --histories 10000 --life-seed 7`."""
import sys, time
from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis.stateful import get_state_machine_test
from tests.life import house
from tests.life.machine import Life

STEPS = 14

def live(histories, number):
    asked = settings(max_examples=histories, stateful_step_count=STEPS, phases=[Phase.generate], deadline=None,
        database=None, derandomize=False, suppress_health_check=list(HealthCheck))
    Life.lived = Life.acts = 0
    with house.small_house():
        seed(number)(get_state_machine_test(Life, settings=asked))()

if __name__ == "__main__":
    t=time.process_time()
    try:
        live(int(sys.argv[1]), int(sys.argv[2]))
    finally:
        print(Life.lived, Life.acts, f"{time.process_time()-t:.1f} s")
