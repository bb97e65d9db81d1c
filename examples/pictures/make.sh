#!/usr/bin/env bash
# Makes the README's pictures anew from a demo: needs pdftoppm (poppler-utils) and pngquant.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo run --release -- demo >/dev/null
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
pdftoppm -r 72 -png -gray -f 2 -l 2 -singlefile out/demo/sheets/sheet.pdf "$scratch/sheet"
pdftoppm -r 72 -png -f 1 -l 1 -singlefile out/demo/report/report.pdf "$scratch/report"
for page in sheet report; do
  pngquant --force --output "examples/pictures/$page.png" 32 "$scratch/$page.png"
done
