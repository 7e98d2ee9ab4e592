# The engine beside the model in another language, a million steps.
set -e
export LAPWING_MODEL_STEPS=${LAPWING_MODEL_STEPS:-1000000}
export LAPWING_MODEL_SEED=${LAPWING_MODEL_SEED:-$RANDOM}
echo "seed $LAPWING_MODEL_SEED, $LAPWING_MODEL_STEPS steps"
cargo test --locked -p lapwing-engine --test alarms model
