exec python3 tests/jobs/headers.py
