//! The two engines: what they let through, what they refuse, and where they say it is wrong.
//!
//! No expected number here comes from our own earlier output.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde_json::{Value, json};
use wellrun::diagnostic::{Diagnostics, Source};
use wellrun::render::{PdfOptions, Templates, command_arguments, html, markdown, pdf, typst_sources};

/// Markup of every kind that might get through somewhere.
const HOSTILE: [&str; 9] = [
    "<script>alert(1)</script>",
    "#eval(\"1\") #read(\"/etc/passwd\") #image(\"x.png\")",
    "$ x^2 $ \\ \\u{41} `raw` *bold* _emph_ @ref <label> // not a comment /* nor this */",
    "{{ 7 * 7 }} {% for x in y %} {# gone #}",
    "\"><img src=x onerror=alert(1)>",
    "' onmouseover='alert(1)",
    "=cmd|' /C calc'!A0",
    "= Heading\n- item\n+ item\n/ term: x",
    "&lt;b&gt; &amp; ~ -- --- ... 'quote'",
];

fn with(files: &[(&str, &str)]) -> Templates {
    let mut templates = Templates::shipped();
    for (name, text) in files {
        templates.replace(name, Source::new(format!("study/templates/{name}"), *text));
    }
    templates
}

fn options() -> PdfOptions {
    PdfOptions {
        title: "A title".to_owned(),
        author: "Test bench".to_owned(),
        identifier: "roller-1".to_owned(),
        time: Some((2026, 3, 4, 5, 6, 7)),
        letter_paper: false,
    }
}

fn make_pdf(templates: &Templates, data: &Value) -> Result<(Vec<u8>, Diagnostics), Diagnostics> {
    pdf(templates, "test.typ", data, &BTreeMap::new(), &options())
}

/// Code, file, line and column of everything found.
fn places(found: &Diagnostics) -> Vec<(&'static str, String, usize, usize)> {
    found
        .iter()
        .map(|d| {
            let (file, line, column) = d.position().unwrap_or(("", 0, 0));
            (d.code, file.to_owned(), line, column)
        })
        .collect()
}

/// True if `needle` stands in `haystack`.
fn holds(haystack: &[u8], needle: &[u8]) -> bool {
    haystack.windows(needle.len()).any(|window| window == needle)
}

// --- HTML -----------------------------------------------------------------------------------------------------------

#[test]
fn html_escapes_every_value() {
    let templates = with(&[(
        "test.html.jinja",
        "<p title=\"{{ items[0] }}\">{% for item in items %}[{{ item }}]{% endfor %}</p>",
    )]);
    let page = html(&templates, "test.html.jinja", &json!({ "items": HOSTILE })).unwrap();
    let body = page.replace("<p title=\"", "").replace("</p>", "").replace("\">[", "[");
    assert!(
        !body.contains('<') && !body.contains('"') && !body.contains('\''),
        "{body}"
    );
    assert!(body.contains("{{ 7 * 7 }} {% for x in y %} {# gone #}"));
}

#[test]
fn an_undefined_value_names_the_template_and_the_line() {
    let templates = with(&[(
        "test.html.jinja",
        "<p>\n  {{ study.title }}\n  {{ study.titel }}\n</p>\n",
    )]);
    let found = html(&templates, "test.html.jinja", &json!({"study": {"title": "t"}})).unwrap_err();
    let place = ("T003", "study/templates/test.html.jinja".to_owned(), 3, 6);
    assert_eq!(places(&found), [place]);
}

#[test]
fn an_undefined_value_in_an_included_template_names_that_one() {
    let templates = with(&[
        ("test.html.jinja", "a\n{% include \"part.html.jinja\" %}\n"),
        ("part.html.jinja", "b\nc\n{{ missing }}\n"),
    ]);
    let found = html(&templates, "test.html.jinja", &json!({})).unwrap_err();
    assert_eq!(places(&found)[0].1, "study/templates/part.html.jinja");
    assert_eq!(places(&found)[0].2, 3);
    let text = found.iter().next().unwrap().render(false);
    assert!(text.contains("study/templates/test.html.jinja"), "{text}");
}

#[test]
fn every_template_with_a_syntax_error_is_told_at_once() {
    let templates = with(&[
        ("test.html.jinja", "x\n{% if %}\n"),
        ("other.html.jinja", "{% endfor %}"),
    ]);
    let found = html(&templates, "test.html.jinja", &json!({})).unwrap_err();
    let lines: Vec<(String, usize)> = places(&found).into_iter().map(|p| (p.1, p.2)).collect();
    assert_eq!(
        lines,
        [
            ("study/templates/other.html.jinja".to_owned(), 1),
            ("study/templates/test.html.jinja".to_owned(), 2)
        ]
    );
}

#[test]
fn a_template_cannot_run_or_grow_for_ever() {
    let endless = "{% for a in range(100000) %}{% for b in range(100000) %}{% set c = a %}{% endfor %}{% endfor %}";
    let deep = "{% include \"test.html.jinja\" %}";
    for (text, code) in [(endless, "T004"), (deep, "T002")] {
        let found = html(&with(&[("test.html.jinja", text)]), "test.html.jinja", &json!({})).unwrap_err();
        assert_eq!(places(&found)[0].0, code, "{text}");
    }
}

#[test]
fn a_template_cannot_read_files() {
    for text in [
        "{% include \"/etc/passwd\" %}",
        "{% include \"../Cargo.toml\" %}",
        "{{ open(\"/etc/passwd\") }}",
    ] {
        let found = html(&with(&[("test.html.jinja", text)]), "test.html.jinja", &json!({})).unwrap_err();
        assert_eq!(places(&found)[0].0, "T002", "{text}");
    }
}

#[test]
fn an_unknown_template_is_told_with_the_nearest_name() {
    let found = html(&Templates::shipped(), "sheet.html.jinga", &json!({})).unwrap_err();
    let first = found.iter().next().unwrap();
    assert_eq!(first.code, "T001");
    assert_eq!(first.help.as_deref(), Some("did you mean `sheet.html.jinja`?"));
}

#[test]
fn the_style_sheets_need_no_outside_resource() {
    let templates = with(&[(
        "test.html.jinja",
        "{% include \"fonts.css\" %}{% include \"base.css\" %}",
    )]);
    let css = html(&templates, "test.html.jinja", &json!({})).unwrap();
    assert_eq!(css.matches("url(").count(), css.matches("url(data:").count());
    assert!(css.contains("font-family:\"IBM Plex Sans\"") && css.contains("url(data:font/woff2;base64,"));
    assert!(!css.contains("@import") && !css.contains("://"));
}

// --- PDF ------------------------------------------------------------------------------------------------------------

const PAGE: &str = "#import \"base.typ\": *\n#show: document-base\n= Heading\n";

#[test]
fn the_same_inputs_give_the_same_bytes() {
    let templates = with(&[(
        "test.typ",
        &format!("{PAGE}#json(\"data.json\").words #datetime.today().display()"),
    )]);
    let first = make_pdf(&templates, &json!({"words": "one two"})).unwrap().0;
    let second = make_pdf(&templates, &json!({"words": "one two"})).unwrap().0;
    let other = make_pdf(&templates, &json!({"words": "one three"})).unwrap().0;
    assert!(first.starts_with(b"%PDF-1.7"));
    assert!(first == second);
    assert!(first != other);
}

#[test]
fn each_weight_and_style_finds_its_face() {
    let text = format!("{PAGE}plain *strong* _soft_ `typed`\n#set text(weight: \"bold\")\nbold");
    let (bytes, found) = make_pdf(&with(&[("test.typ", &text)]), &json!({})).unwrap();
    assert!(found.is_empty(), "{:?}", places(&found));
    for face in ["Sans-Regular", "Sans-SemiBold", "Sans-Italic", "Mono"] {
        assert!(holds(&bytes, format!("+IBMPlex{face}").as_bytes()), "{face}");
    }
}

#[test]
fn a_pdf_is_tagged_titled_and_dated_as_told() {
    let bytes = make_pdf(&with(&[("test.typ", PAGE)]), &json!({})).unwrap().0;
    for mark in [
        "/StructTreeRoot",
        "A title",
        "pdfuaid:part",
        "pdfaid:part",
        "D:20260304050607",
    ] {
        assert!(holds(&bytes, mark.as_bytes()), "{mark}");
    }
}

/// Class: closed form. A4 is 210 mm × 297 mm, US Letter 8.5 in × 11 in, at 72 points an inch.
#[test]
fn paper_is_a4_or_letter() {
    let templates = with(&[("test.typ", PAGE)]);
    for (letter, size) in [(false, "0 0 595.27"), (true, "0 0 612 792")] {
        let options = PdfOptions {
            letter_paper: letter,
            ..options()
        };
        let bytes = pdf(&templates, "test.typ", &json!({}), &BTreeMap::new(), &options)
            .unwrap()
            .0;
        assert!(holds(&bytes, size.as_bytes()), "{size}");
    }
}

/// The engine itself compares what was laid out with the data: markup that was obeyed would be other content.
#[test]
fn hostile_text_prints_as_it_stands() {
    let check = format!(
        "{PAGE}#let data = json(\"data.json\")\n#for item in data.items {{\n  let shown = [#item]\n  \
         assert(shown.func() == text and shown.text == item)\n  par(shown)\n}}\n"
    );
    let (bytes, found) = make_pdf(&with(&[("test.typ", &check)]), &json!({ "items": HOSTILE })).unwrap();
    assert!(found.is_empty(), "{:?}", places(&found));
    assert!(bytes.starts_with(b"%PDF"));
}

#[test]
fn a_character_without_a_glyph_prints_as_its_code() {
    let check =
        format!("{PAGE}#let word = json(\"data.json\").word\n#assert.eq(word, \"snow[U+2603] turn[U+202E]\")\n#word");
    let (_, found) = make_pdf(
        &with(&[("test.typ", &check)]),
        &json!({"word": "snow\u{2603} turn\u{202e}"}),
    )
    .unwrap();
    assert!(found.is_empty());
}

#[test]
fn a_bad_template_is_told_with_line_column_and_hint() {
    let text = format!("{PAGE}\n#let x = 1\n#y-axis\n");
    let found = make_pdf(&with(&[("test.typ", &text)]), &json!({})).unwrap_err();
    let place = ("T010", "study/templates/test.typ".to_owned(), 6, 2);
    assert_eq!(places(&found), [place]);
    let missing = make_pdf(&with(&[("test.typ", "\n#json(\"data.json\").nothing")]), &json!({})).unwrap_err();
    assert_eq!(places(&missing)[0].2, 2);
}

#[test]
fn a_document_cannot_reach_out() {
    for text in [
        "#read(\"/etc/passwd\")",
        "#read(\"../../Cargo.toml\")",
        "#image(\"https://example.org/x.png\")",
        "#import \"@preview/example:0.1.0\": *",
        "#include \"elsewhere.typ\"",
        "#while true { let x = 1 }",
        "#let f(n) = f(n + 1)\n#f(0)",
    ] {
        let found = make_pdf(&with(&[("test.typ", text)]), &json!({})).unwrap_err();
        assert_eq!(places(&found)[0].0, "T010", "{text}");
        assert_eq!(places(&found)[0].1, "study/templates/test.typ", "{text}");
    }
}

#[test]
fn a_figure_without_words_is_refused_at_its_line() {
    let svg =
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 10 10\"><text x=\"1\" y=\"9\">σ ≤ 1</text></svg>";
    let figures = BTreeMap::from([("one".to_owned(), svg.to_owned())]);
    let make = |call: &str| {
        let templates = with(&[("test.typ", &format!("{PAGE}#image({call})\n"))]);
        pdf(&templates, "test.typ", &json!({}), &figures, &options())
    };
    assert!(make("\"figures/one.svg\", alt: \"one\"").unwrap().1.is_empty());
    let found = make("\"figures/one.svg\"").unwrap_err();
    assert_eq!((places(&found)[0].0, places(&found)[0].2), ("T011", 4));
}

#[test]
fn an_empty_title_is_refused() {
    let untitled = PdfOptions {
        title: String::new(),
        ..options()
    };
    let found = pdf(
        &with(&[("test.typ", PAGE)]),
        "test.typ",
        &json!({}),
        &BTreeMap::new(),
        &untitled,
    )
    .unwrap_err();
    assert_eq!(places(&found)[0].0, "T011");
}

#[test]
fn an_unknown_font_is_a_warning() {
    let text = format!("{PAGE}#text(font: \"No Such Face\")[x]");
    let (_, found) = make_pdf(&with(&[("test.typ", &text)]), &json!({})).unwrap();
    assert_eq!(places(&found)[0].0, "T010");
    assert!(!found.has_errors());
}

#[test]
fn the_sources_are_whole_and_the_command_is_told_where_they_lie() {
    let templates = with(&[("test.typ", PAGE)]);
    let figures = BTreeMap::from([("one".to_owned(), "<svg/>".to_owned())]);
    let sources = typst_sources(&templates, "test.typ", &json!({"a": 1}), &figures, &options()).unwrap();
    let names: Vec<&str> = sources.keys().map(String::as_str).collect();
    for name in [
        "test.typ",
        "base.typ",
        "data.json",
        "options.json",
        "figures/one.svg",
        "fonts/IBMPlexSans-Regular.ttf",
        "fonts/LICENSE.txt",
    ] {
        assert!(names.contains(&name), "{name} in {names:?}");
    }
    assert_eq!(sources["data.json"], b"{\"a\":1}");
    let arguments = command_arguments("test.typ", "src".as_ref(), "out.pdf".as_ref(), &options());
    let arguments: Vec<&str> = arguments.iter().filter_map(|a| a.to_str()).collect();
    // Class: independent, date(1) of GNU coreutils: date -u -d 2026-03-04T05:06:07Z +%s
    let stamp = arguments
        .iter()
        .position(|&a| a == "--creation-timestamp")
        .map(|at| arguments[at + 1]);
    assert_eq!(stamp, Some("1772600767"));
    assert_eq!(arguments[arguments.len() - 1], "out.pdf");
}

// --- an author's text -----------------------------------------------------------------------------------------------

const AUTHOR: &str = "# One\n\nWords *soft* **hard** `code` <b>x</b> [there](https://example.org/).\n\n## Two\n\n1. a\n2. b\n   - c\n\n\
    > said #strong[x] $y$\n\n```\n#let x = 1 <i>\n```\n\n| a | b |\n|---|--:|\n| 1 | 2 |\n\n---\n\n{{ 1 + 1 }} #x \\ @y\n";

#[test]
fn an_authors_text_renders_in_both_engines() {
    let (blocks, _) = markdown(&Source::new("note.md", AUTHOR)).unwrap();
    let data = json!({ "note": blocks });
    let templates = with(&[
        (
            "test.html.jinja",
            "{% from \"blocks.html.jinja\" import blocks %}{{ blocks(note, 2) }}",
        ),
        (
            "test.typ",
            &format!("{PAGE}#import \"blocks.typ\": blocks\n#blocks(json(\"data.json\").note)\n"),
        ),
    ]);
    let page = html(&templates, "test.html.jinja", &data).unwrap();
    for part in [
        "<h3>One</h3>",
        "<h4>Two</h4>",
        "<em>soft</em>",
        "&lt;b&gt;x&lt;&#x2f;b&gt;",
        "<ol start=\"1\">",
        "<pre>#let x = 1 &lt;i&gt;</pre>",
        "<th scope=\"col\" class=\"right\">b</th>",
        "{{ 1 + 1 }} #x \\ @y",
    ] {
        assert!(page.contains(part), "{part} in {page}");
    }
    let (bytes, found) = make_pdf(&templates, &data).unwrap();
    assert!(found.is_empty(), "{:?}", places(&found));
    assert!(holds(&bytes, b"https://example.org/"));
}

#[test]
fn replacing_says_whether_the_name_ships() {
    let mut templates = Templates::shipped();
    let source: Arc<Source> = Source::new("x", "");
    assert!(templates.replace("sheet.typ", Arc::clone(&source)));
    assert!(!templates.replace("house.typ", source));
}
