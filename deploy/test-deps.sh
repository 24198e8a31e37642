#!/bin/sh
# Makes sure that what the tests need from the system is there: a browser, the
# accessibility checker that the pages are judged with, Prometheus, and Redis.
# Installs them where that is possible, else names what is missing.
set -eu

missing=""
need() { # command, Debian package
	command -v "$1" >/dev/null 2>&1 || missing="$missing $2"
}
need chromium chromium
need npm npm
need promtool prometheus
need redis-server redis-server
need systemd-analyze systemd

checker() {
	cd "$(dirname "$0")/axe"
	[ node_modules/.package-lock.json -nt package-lock.json ] || npm ci --silent --no-audit --no-fund
}
[ -n "$missing" ] || { checker; exit 0; }

sudo=""
if [ "$(id -u)" != 0 ]; then
	if command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then
		sudo="sudo -n"
	else
		echo "The tests need these packages, and this user may not install them:$missing" >&2
		echo "Install them, for example: apt-get install$missing" >&2
		exit 1
	fi
fi
if ! command -v apt-get >/dev/null 2>&1; then
	echo "The tests need these programs, and there is no apt-get to install them:$missing" >&2
	exit 1
fi
echo "installing for the tests:$missing"
$sudo apt-get update -qq
DEBIAN_FRONTEND=noninteractive $sudo apt-get install -y -qq --no-install-recommends $missing >/dev/null
checker
