"""All tables, one after another: `python -m tests.bench`."""

from tests.bench import backlog, latency, memory, status

for bench in (status, latency, memory, backlog):
    bench.main()
    print()
