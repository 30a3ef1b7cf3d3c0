package evidence

import (
	"strings"
	"text/template"
)

// readme tells a stranger how to follow the chain with common programs.
func readme(b *Bundle) []byte {
	first := "days/DATE"
	if len(b.Records) > 0 {
		if head, err := ParseHead(b.Records[0].Text); err == nil {
			first = folderDays + "/" + recordName(head.Date, head.Amendment)
		}
	}
	var out strings.Builder
	err := readmeTemplate.Execute(&out, map[string]any{"B": b, "First": first})
	if err != nil { // a fixed template over plain fields
		panic("evidence: readme: " + err.Error())
	}
	return []byte(out.String())
}

var readmeTemplate = template.Must(template.New("README.txt").Parse(`Evidence of {{.B.Property}}, {{.B.From}} through {{.B.Through}}

This folder shows what sensors below a house reported, day by day, and that
nobody has changed it since each day was sealed. You need not trust whoever gave
it to you. You need their public key, or an earlier checkpoint of their log, from
somewhere else: the owner of the house got one with every summary.

What is in it

  days/          one text a day, packed with gzip: every reading with its time,
                 the delay until it was received, what was refused, alarms.
                 "-amendment-N": what came after the day was sealed. Marked
                 "unwitnessed" it came too late to prove anything.
  also/          days before or after the period, for what was recorded on them
                 and bears on it: the last check of a sensor, the last visit, an
                 outage reported later, a check that was withdrawn, another
                 description. They are as good as the others; but that there is no
                 further such day outside the period, this folder cannot show.
  proofs/        for each of them, that it is in the log
  checkpoint.txt how long the log is and what its hash is, signed
  keys.txt       the public keys that signed it; key.pem is the first of them
  descriptions/  what was installed, by the SHA-256 that the days name
  terms/ verdict/  the terms that were agreed and what follows from the days,
                 where they were asked for. The log does not speak of them.
  bundle.txt     the period, and the days that are not in the log{{if .B.Missing}}: {{len .B.Missing}}{{end}}
  SHA256SUMS     the SHA-256 of every file

With our program

  underkeep verify BUNDLE.zip --key KEYFILE

checks all of what follows, and that each text could not have been written
otherwise. KEYFILE holds the public key that you have from elsewhere.

By hand, in a shell, with coreutils, gzip, xxd and openssl 3

 1. No file was changed since the bundle was made:

      sha256sum -c --quiet SHA256SUMS && echo files: good

 2. The checkpoint is signed with the key. Everything above its first empty line
    is what was signed; the signature is the last 64 bytes of its line.

      sed '/^$/,$d' checkpoint.txt > signed.tmp
      sed '1,/^$/d' checkpoint.txt | head -n 1 | cut -d' ' -f3 | base64 -d | tail -c 64 > signature.tmp
      openssl pkeyutl -verify -pubin -inkey key.pem -rawin -in signed.tmp -sigfile signature.tmp

    And that key is the one in keys.txt. Both commands print the same; compare
    keys.txt with the key that you have from elsewhere.

      head -n 1 keys.txt | cut -d+ -f3- | base64 -d | tail -c 32 | xxd -p -c 64
      openssl pkey -pubin -in key.pem -outform DER | tail -c 32 | xxd -p -c 64

 3. A day is in the log. Its hash is SHA-256 over a zero byte and the text. Then
    each hash of the proof is joined with the one so far: SHA-256 over a byte of
    one, the left hash and the right hash (RFC 6962). The last one must be the
    hash in the checkpoint.

      sed -n 3p checkpoint.txt | base64 -d | xxd -p -c 64 > root.tmp

      follow() {
        proof=proofs/${1##*/}.txt
        h=$( (printf '\000'; gzip -dc "$1.txt.gz") | sha256sum | cut -d' ' -f1)
        grep -qx "hash $h" "$proof" || { echo "$1: not the text of its proof"; return 1; }
        grep -qx "size $(sed -n 2p checkpoint.txt)" "$proof" || { echo "$1: a proof of another log"; return 1; }
        while read -r side other; do
          case $side in
            left)  h=$(printf '01%s%s' "$other" "$h" | xxd -r -p | sha256sum | cut -d' ' -f1);;
            right) h=$(printf '01%s%s' "$h" "$other" | xxd -r -p | sha256sum | cut -d' ' -f1);;
          esac
        done < "$proof"
        [ "$h" = "$(cat root.tmp)" ] || { echo "$1: not in the log"; return 1; }
      }

      follow {{.First}} && echo {{.First}}: in the log

    and for all of them:

      for d in days/*.txt.gz{{if .B.Also}} also/*.txt.gz{{end}}; do follow "${d%.txt.gz}" || break; done

 4. No day was left out: every day names the hash of the day before in its line
    "previous", unless bundle.txt names that day as missing.

 5. What a day says:

      gzip -dc {{.First}}.txt.gz | less

    Times of readings count from the start of the day, given in its line "from".
    Behind them stands how many seconds later the reading was received; "r"
    behind a time says that the gateway gave none and the receipt stands for it.
    "-" is no reading. "deaf" lists times in which the service itself did not
    listen. Persons stand there as hashes with a salt that is kept elsewhere.
    What was received more than "seal-delay" seconds after the end of its day is
    shown, and proves nothing.

An earlier checkpoint, kept by somebody else, shows that the log was not
rewritten as a whole: underkeep witness --log URL --key KEYFILE --keep FILE holds
it against the present one.

What this is not: no inspection for mold, no test for radon, no life-safety
system, no advice on law. Never enter a space with standing water before the
power there is off. Local codes and licensed practice come first.
`))
