#!/usr/bin/env bash
# Installs the outside parts that the tests talk to: a broker, a Modbus server and a mail server of other libraries, numpy, valgrind, a
# wall clock that can be faked, systemd's own measure of a service unit, a browser.
# Debian or Ubuntu; asks nothing. Anything that is there already is left as it is.
set -euo pipefail

missing=()
need() { command -v "$1" >/dev/null || missing+=("$2"); }
need mosquitto mosquitto
need mosquitto_sub mosquitto-clients
need python3 python3
need valgrind valgrind
need strace strace
need faketime faketime
need cc gcc
need systemd-analyze systemd
need chromium chromium
need chromedriver chromium-driver
[ ${#missing[@]} -eq 0 ] || {
  echo "installing system packages: ${missing[*]}"
  sudo=""
  [ "$(id -u)" -eq 0 ] || sudo="sudo"
  $sudo apt-get update -qq
  DEBIAN_FRONTEND=noninteractive $sudo apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
}
# A broker that the package started by itself is not used; the tests start their own on free ports.

python3 - <<'PY' 2>/dev/null || {
import aiosmtpd, numpy, pymodbus, scipy, sunspec2
assert tuple(map(int, pymodbus.__version__.split(".")[:2])) >= (3, 16)
PY
  echo "installing Python packages for the tests: numpy, scipy, pymodbus, pysunspec2, aiosmtpd"
  python3 -m pip install --quiet --disable-pip-version-check numpy scipy "pymodbus>=3.16,<4" "pysunspec2>=1.3,<2" "aiosmtpd>=1.4,<2" ||
    python3 -m pip install --quiet --disable-pip-version-check --break-system-packages numpy scipy "pymodbus>=3.16,<4" "pysunspec2>=1.3,<2" "aiosmtpd>=1.4,<2"
}
