#!/usr/bin/env bash
# Makes the demo sessions again: the same seeds give the same files. Nobody rode them.
set -euo pipefail
cd "$(dirname "$0")"
assize=${ASSIZE:-../target/release/assize}

rm -f bench-*/*.fit
$assize rehearse ../protocols/bench-both-rings.yaml --out bench-sound --seed 4 --sound --date 2026-11-07T09:30:00Z

# Reads 14 W low on the big ring, its left side falls short by 110 W in two of six sprints, wakes 2.5 s late.
$assize rehearse ../protocols/bench-both-rings.yaml --out bench-faulty --seed 1 --date 2026-11-14T09:30:00Z \
    --label "unit 021" --serial 21 --fault ring-offset=-14@big --fault side-short=110@left,2/6 --fault late-wake=2.5

# A season of short checks: one session of one specimen, by tester A with pedal pair P or by tester B, elsewhere, with pair
# Q. A specimen and a pair of pedals stay what they are from session to session. No truth.json: the faults stand below.
ride() {
    local folder=$1/$2-$3 specimen=$2 day=$3 tester=$4 seed=$5 firmware=$6
    shift 6
    local who=(--reference-set 1 --tester "tester A" --place "north bench")
    if [ "$tester" = B ]; then
        who=(--reference-set 2 --tester "tester B" --place "south bench"
            --pedals "pedal pair Q" --pedals-serial 2002 --pedals-certificate "Q-03, 2026-04-20")
    fi
    rm -rf "$folder"
    $assize rehearse ../protocols/short-check.yaml --out "$folder" --bench pedals --setting resistance --seed "$seed" \
        --date "${day}T09:30:00Z" --specimen "$specimen" --model "model M" --firmware "$firmware" "${who[@]}" "$@"
    rm "$folder/truth.json"
    sed -i "s/What truly happened is in truth.json/What was made is in ..\/README.md/" "$folder/session.yaml"
}

# Unit 034 reads 6 % low; the others are sound.
ride five-specimens 031 2026-06-06 A 11 1.80 --sound
ride five-specimens 032 2026-06-07 A 12 1.80 --sound
ride five-specimens 033 2026-06-20 B 13 1.80 --sound
ride five-specimens 034 2026-06-21 A 14 1.80 --fault gain=-6
ride five-specimens 035 2026-07-04 B 15 1.80 --sound
ride five-specimens 031 2026-07-18 B 16 1.80 --sound
ride five-specimens 032 2026-08-01 B 17 1.80 --sound
ride five-specimens 033 2026-08-15 A 18 1.80 --sound
ride five-specimens 034 2026-08-29 B 19 1.80 --fault gain=-6
ride five-specimens 035 2026-09-12 A 20 1.80 --sound
ride five-specimens 031 2026-10-03 A 21 1.80 --sound
ride five-specimens 034 2026-10-10 A 22 1.80 --fault gain=-6

# Unit 041 wakes 3 s late after coasting until firmware 1.90 mends it.
ride firmware 041 2026-06-13 A 31 1.80 --fault late-wake=3
ride firmware 041 2026-07-11 A 32 1.80 --fault late-wake=3
ride firmware 041 2026-08-08 A 33 1.80 --fault late-wake=3
ride firmware 041 2026-09-19 A 34 1.90 --sound
ride firmware 041 2026-10-17 A 35 1.90 --sound
ride firmware 041 2026-11-21 A 36 1.90 --sound
