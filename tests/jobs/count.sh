# Adds up what the runners in a log counted: prints `PASSED FAILED`.
# Understands nextest's summary, cargo test's result lines and the plain `N passed, N failed`.
awk '
    /^ *Summary \[/ {
        if (match($0, /[0-9]+ passed/)) p += substr($0, RSTART, RLENGTH) + 0
        if (match($0, /[0-9]+ failed/)) f += substr($0, RSTART, RLENGTH) + 0
        if (match($0, /[0-9]+ timed out/)) f += substr($0, RSTART, RLENGTH) + 0
        if (match($0, /[0-9]+ exec failed/)) f += substr($0, RSTART, RLENGTH) + 0
    }
    /^test result: / {
        if (match($0, /[0-9]+ passed/)) p += substr($0, RSTART, RLENGTH) + 0
        if (match($0, /[0-9]+ failed/)) f += substr($0, RSTART, RLENGTH) + 0
    }
    /^[0-9]+ passed, [0-9]+ failed/ { p += $1; f += $3 }
    END { print p + 0, f + 0 }
' "$1"
