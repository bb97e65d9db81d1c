#!/bin/sh
# Makes the pictures of the README anew from the demo: `cargo run -- demo`, then this script from the top folder.
# Needs pdftoppm (poppler-utils), pngquant and optipng.
set -eu
from=${1:-out/demo}
here=$(dirname "$0")

# page FILE NUMBER NAME: one page as a picture of few colours.
page() {
    pdftoppm -r 70 -f "$2" -l "$2" -singlefile -png "$1" "$here/$3"
    pngquant --force --speed 1 --ext .png 32 "$here/$3.png"
    optipng -quiet -o5 -strip all "$here/$3.png"
}

# number FILE TEXT: the first page on which a text stands.
number() {
    pages=$(pdfinfo "$1" 2>/dev/null | sed -n 's/^Pages: *//p')
    at=1
    while [ "$at" -le "$pages" ]; do
        if pdftotext -f "$at" -l "$at" "$1" - 2>/dev/null | grep -q "$2"; then
            echo "$at"
            return
        fi
        at=$((at + 1))
    done
    echo "no page of $1 holds '$2'" >&2
    exit 1
}

sheet=$from/sheets/sheet.pdf
report=$from/report/report.pdf
page "$sheet" "$(number "$sheet" 'SET UP')" sheet
page "$report" 1 report-1
page "$report" "$(number "$report" 'Figure 1')" report-2
