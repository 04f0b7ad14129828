#!/bin/sh
# If this fails, there is a plugin or a word of a session that no demo session shows at work, and none is heard when it
# changes. demo_sessions.sh ROOT
set -eu
cd "$1"
all=$(cat demo-sessions/*/session.ttl)
failed=0

# want PATTERN WHAT: some demo session must hold PATTERN.
want()
{
   if ! printf '%s\n' "$all" | grep -Eq "$1"; then
      echo "demo-sessions/: no session uses $2"
      failed=1
   fi
}

n=0
manual=tests/harness/SESSION.md
tables=$(grep '^|' "$manual" | grep -Eo '(lv2|pset|state):[a-zA-Z0-9]+')
for word in $( (grep -Eo 'bm:[a-zA-Z0-9]+' "$manual"; echo "$tables") | sort -u); do
   want "(^|[^a-z])$word([^a-zA-Z0-9]|\$)" "$word of $manual"
   n=$((n + 1))
done
for plugin in $(grep -l 'a bm:Processor' ttl/*.ttl); do
   name=$(basename "$plugin" .ttl)
   want "<urn:bookmatch:$name#" "the plugin $name"
   n=$((n + 1))
done
for session in demo-sessions/*/session.ttl; do
   if ! [ -f "${session%.ttl}.fingerprint" ]; then
      echo "$session: has no fingerprint; see \"When the sound is to change\" in DEVELOPERS.md"
      failed=1
   fi
done
[ $n -gt 40 ] || {
   echo "only $n words and plugins were looked for; SESSION.md or ttl/ has moved"
   failed=1
}
exit $failed
