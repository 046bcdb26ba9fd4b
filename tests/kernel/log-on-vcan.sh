# In the guest: each definition is simulated, logged and compared. Ends badly if a row is not one that the unit sent.
# The units take their time, since a virtual bus takes none for a frame and the guest is slow.
p2=20ms
for definition in bramble-62 obd-j1979-can; do
    echo "== log --definition defs/$definition.toml --port can:vcan0 --p2 $p2 --for 10s"
    ./bench_unit --definition "defs/$definition.toml" --on can:vcan0 --p2 $p2 --truth truth > unit & unit=$!
    # It says which bus it is on once it is there.
    until grep -q can:vcan0 unit; do kill -0 $unit || exit 1; sleep 0.1; done
    ./log --definition "defs/$definition.toml" --port can:vcan0 --p2 $p2 --for 10s --json > rows 2> words \
        || { cat words; exit 1; }
    kill $unit && wait $unit || exit 1
    ./compare rows truth > compared || { cat words compared; exit 1; }
    # Nothing is equal to nothing.
    [ -s rows ] || { echo "no rows"; cat words; exit 1; }
    grep -E '^(unit|responses|worst gap|repeats|response time)  ' words
    tail -n 1 compared
done
