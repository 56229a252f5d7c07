#!/bin/sh
# Make a small registry of each schema version with the program of its time, out of this repository's own history.
#
#     sh tests/reference/registries/make.sh [PYTHON]
#
# For each version: the last commit that wrote it, checked out beside (git worktree) and removed afterwards. It makes
# invented patients with planted mistakes and takes them in, so that rows are held back; merges two patients and erases
# a third; and from version 2 on keeps a cohort. What the old program says of it then (snapshot, figures) is kept
# beside: the program of today must say the same. Salts and times of day differ from run to run; the files kept were
# made once.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
root=$(git -C "$here" rev-parse --show-toplevel)
python=${1:-$root/.venv/bin/python}
place=$(mktemp -d)
trap 'git -C "$root" worktree remove --force "$place/program" 2>/dev/null || true; rm -rf "$place"' EXIT

make_one() { # version, commit
  git -C "$root" worktree add -q --detach "$place/program" "$2"
  work=$place/version_$1
  mkdir "$work"
  cd "$work"
  run() { PYTHONPATH=$place/program "$python" -c 'from reports.command_line import main; main()' "$@"; }
  run synthesise --patients 40 --seed "$1" --errors 0.05 --out sites >/dev/null
  sites=$(ls -d sites/*/ | xargs -n1 basename | paste -sd,)
  surgeons=$(cat sites/*/session.csv | grep -o 'S[0-9][0-9]*' | sort -u | paste -sd,)
  run start registry --sites "$sites" --surgeons "$surgeons" --practice "Kept from version $1" >/dev/null
  for site in sites/*/; do run intake "$site"*.csv --registry registry --received-by maker --today 2026-11-28 >/dev/null || true; done
  "$python" - registry/registry.duckdb >pairs <<'PYTHON'
import sys, duckdb
with duckdb.connect(sys.argv[1], read_only=True) as connection:
    rows = connection.execute("""
        with patient_sessions as (
          select patient_key, min(session_number) as first, max(session_number) as last,
            min(performed_on) as from_day, max(performed_on) as to_day
          from session group by all
        )
        select one.patient_key, other.patient_key
        from patient_sessions as one join patient_sessions as other
          on other.first = one.last + 1 and other.from_day > one.to_day
        order by all limit 60
    """).fetchall()
for kept, other in rows:
    print(kept, other)
PYTHON
  while read -r kept other; do
    if run merge-patients "$kept" "$other" --registry registry --received-by maker --today 2026-11-28 >/dev/null 2>&1
    then echo "merged" >&2; break; fi
  done <pairs
  erased=$(cut -d' ' -f1 pairs | grep -v "^$kept$" | tail -n 1)
  run erase-patient "$erased" --registry registry --received-by maker --yes >/dev/null
  [ "$1" = 1 ] || run cohort define kept --registry registry --received-by maker >/dev/null
  run figures time-to-next-session --by site_code --format json --registry registry >figures.json 
  tar -C "$work" --sort=name --owner=0 --group=0 --mode=go= -czf "$here/version_$1.tar.gz" registry figures.json
  git -C "$root" worktree remove --force "$place/program"
}

make_one 1 6bd16d9
make_one 2 8d4012a
make_one 3 deb4938
make_one 4 d03d274
