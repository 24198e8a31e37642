#!/bin/sh
# Makes sure that what the tests need from the system is there: a browser, the
# accessibility checker that the pages are judged with, Prometheus, and Redis.
# Installs them where that is possible, else names what is missing.
set -eu

missing=""
need() { # command, Debian package
	command -v "$1" >/dev/null 2>&1 || missing="$missing $2"
}
# The browser without a window of its own does the same at two thirds of the
# work; where it can't be had, one with a window will do.
lighter=""
command -v chromium-headless-shell >/dev/null 2>&1 || lighter=chromium-headless-shell
command -v chromium >/dev/null 2>&1 || need chromium-headless-shell chromium-headless-shell
need npm npm
need promtool prometheus
need redis-server redis-server
need systemd-analyze systemd

checker() {
	cd "$(dirname "$0")/axe"
	[ node_modules/.package-lock.json -nt package-lock.json ] || npm ci --silent --no-audit --no-fund
}
sudo=""
install() { # packages
	$sudo apt-get update -qq && DEBIAN_FRONTEND=noninteractive $sudo apt-get install -y -qq --no-install-recommends "$@" >/dev/null
}
if [ -z "$missing" ]; then
	if [ -n "$lighter" ] && [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
		install "$lighter" || echo "no $lighter: the tests take chromium" >&2
	fi
	checker
	exit 0
fi

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
install $missing
checker
