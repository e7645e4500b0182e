#!/bin/sh
# The monitor's own user; the data folder is systemd's StateDirectory. Nothing is started:
# there is no site file yet, and an upgrade of a running monitor is a person's decision.
set -e
if ! getent passwd hoistward >/dev/null; then
  adduser --system --group --no-create-home --home /var/lib/hoistward hoistward
fi
chgrp hoistward /etc/hoistward
if [ -d /run/systemd/system ]; then
  systemctl daemon-reload
fi
