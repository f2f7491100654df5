#!/usr/bin/env bash
# Makes the demo sessions again: the same seeds give the same files. Nobody rode them.
set -euo pipefail
cd "$(dirname "$0")"
assize=../target/release/assize

$assize rehearse ../protocols/bench-both-rings.yaml --out bench-sound --seed 4 --sound --date 2026-11-07T09:30:00Z

# Reads 14 W low on the big ring, its left side falls short by 110 W in two of six sprints, wakes 2.5 s late.
$assize rehearse ../protocols/bench-both-rings.yaml --out bench-faulty --seed 1 --date 2026-11-14T09:30:00Z \
    --fault ring-offset=-14@big --fault side-short=110@left,2/6 --fault late-wake=2.5
mv bench-faulty/unit-017.fit bench-faulty/unit-021.fit
sed -i 's/unit 017/unit 021/; s/unit-017/unit-021/' bench-faulty/session.yaml bench-faulty/truth.json
