"""Every benchmark in one run: the scheduler beside CP-SAT on the same instances, then the cost of the main job.

python -m tests.bench [INSTANCES]
"""

from __future__ import annotations

import sys

from tests.bench import oracle, pipeline

if __name__ == "__main__":
    count = sys.argv[1] if len(sys.argv) > 1 else "60"
    print(f"the scheduler against CP-SAT, {count} random instances")
    sys.argv = ["oracle", "--instances", count, "--no-weaving"]
    status = oracle.main()
    print()
    pipeline.main()
    sys.exit(status)
