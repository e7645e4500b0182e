#!/bin/sh
# On removal the monitor is stopped; data and configuration stay.
set -e
if [ "$1" = remove ] && [ -d /run/systemd/system ]; then
  systemctl disable --now hoistward.service || true
fi
