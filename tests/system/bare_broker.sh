# What farm IT types by the README, inside the bare machine. There is no systemd in it, so the broker is started as its unit does.
set -eu
cd /home/trial/quietclaw
systemctl() { mkdir -p /run/mosquitto && chown mosquitto: /run/mosquitto && { /usr/sbin/mosquitto -c /etc/mosquitto/mosquitto.conf & }; }
export DEBIAN_FRONTEND=noninteractive
@INSTALL@
cat > farm.toml <<'END'
@SETTINGS@
END
.venv/bin/quietclaw run --config farm.toml &
service=$!
for _ in $(seq 60); do python3 -c 'import urllib.request as u; u.urlopen("http://127.0.0.1:8420/health")' 2>/dev/null && break; sleep 1; done
QUIETCLAW_BROKER_USER=gateway QUIETCLAW_BROKER_PASSWORD="$(cat gateway.password)" \
    .venv/bin/quietclaw simulate --broker mqtt://127.0.0.1:1883 --stalls 60 --hours 0.04 --speed 1 --out record &
sender=$!
sleep 60
.venv/bin/quietclaw doctor --config farm.toml --seconds 15 || echo "doctor ended with $?"
wait $sender
.venv/bin/quietclaw query --url http://127.0.0.1:8420 "SELECT count(*) AS streams, max(seq) AS newest FROM watermark"
kill -TERM $service
wait $service
kill -TERM "$(cat /run/mosquitto/mosquitto.pid)"
