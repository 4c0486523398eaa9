#!/usr/bin/env bash
# Sees to the system packages that a target needs: installs what is missing with apt when that is
# allowed, else says the exact line to type.
#
#   tools/packages.sh python    to make a virtual environment and compile the core
#   tools/packages.sh avr       to build the firmware, write it and run it in the simulator
#   tools/packages.sh pico      to build the Pico's firmware and run it in the emulator
#   tools/packages.sh fuzz      to build the fuzzers
#   tools/packages.sh proofs    to prove the core
set -euo pipefail

case "${1:?python, avr, pico, fuzz or proofs}" in
python) needed=(python3-venv python3-dev gcc libc6-dev) ;;
avr) needed=(gcc-avr binutils-avr avr-libc libsimavr-dev libelf-dev gcc libc6-dev cppcheck
  avrdude arduino-core-avr) ;; # the tool that writes boards, and loaders of theirs
pico)
    needed=(gcc-arm-none-eabi libnewlib-arm-none-eabi)
    command -v node >/dev/null && command -v npm >/dev/null || needed+=(nodejs npm) # maybe not Debian's
    ;;
fuzz) needed=(clang libclang-rt-dev libc6-dev) ;;
proofs) needed=(frama-c-base why3 z3 cvc4) ;;
*) echo "packages.sh: unknown group $1" >&2; exit 2 ;;
esac

if [ "$1" = python ] && python3 -c 'import ensurepip, sysconfig, os, sys
sys.exit(not os.path.exists(os.path.join(sysconfig.get_path("include"), "Python.h")))' 2>/dev/null \
  && command -v cc >/dev/null; then
    exit 0 # also without Debian's packages, for example with a Python of one's own
fi

missing=()
for package in "${needed[@]}"; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
done
[ ${#missing[@]} -eq 0 ] && exit 0

line="apt-get install -y --no-install-recommends ${missing[*]}"
if ! command -v apt-get >/dev/null; then
    echo "reedproof needs these Debian packages, or what your system calls them: ${missing[*]}" >&2
    exit 1
fi
if [ "$(id -u)" = 0 ]; then
    as_root=()
elif sudo -n true 2>/dev/null; then
    as_root=(sudo -n)
else
    echo "reedproof needs system packages that only root may install. Please type:" >&2
    echo "  sudo $line" >&2
    exit 1
fi
echo "installing ${missing[*]}"
"${as_root[@]}" apt-get update -qq
DEBIAN_FRONTEND=noninteractive "${as_root[@]}" ${line/apt-get/apt-get -qq} >/dev/null
