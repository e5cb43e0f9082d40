//! The sheet for the desk as one page of HTML: black on white, nothing fetched from anywhere.

use super::print::{Sheet, SheetRule};

const STYLE: &str = "body{font:12pt/1.35 serif;color:#000;background:#fff;max-width:46em;margin:1em auto;padding:0 1em}\
    h1{font-size:1.3em;margin:0}table{border-collapse:collapse;width:100%;margin:1em 0}\
    th,td{border-top:1px solid #000;text-align:left;vertical-align:top;padding:.3em .5em .3em 0}\
    tr{break-inside:avoid}.v{white-space:nowrap;font-weight:bold}.w{font-style:italic}\
    .b{width:1.2em}.b span{display:inline-block;width:.9em;height:.9em;border:1.5px solid #000}";

/// The page.
#[must_use]
pub fn page(sheet: &Sheet) -> String {
    let mut html = String::from("<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">");
    let title = sheet.title.first().map(|title| escaped(title)).unwrap_or_default();
    html.push_str(&format!(
        "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><title>{title}</title>\
         <style>{STYLE}</style></head><body>\n<h1>{title}</h1>\n"
    ));
    for line in sheet.title.iter().skip(1) {
        html.push_str(&format!("<p>{}</p>\n", escaped(line)));
    }
    html.push_str(
        "<table><thead><tr><th scope=\"col\"></th><th scope=\"col\">Rule</th><th scope=\"col\">Shown by</th>\
         <th scope=\"col\">Verdict</th></tr></thead><tbody>\n",
    );
    for (at, rule) in sheet.rules.iter().enumerate() {
        html.push_str(&row(at + 1, rule));
    }
    html.push_str("</tbody></table>\n");
    if !sheet.besides.is_empty() {
        html.push_str(&format!("<p>Besides: {}</p>\n", escaped(&sheet.besides.join("; "))));
    }
    for (name, mass) in &sheet.masses {
        html.push_str(&format!("<p>{}: {}</p>\n", escaped(name), escaped(mass)));
    }
    html.push_str(&format!("<p><strong>{}</strong></p>\n</body></html>\n", escaped(&sheet.caution)));
    html
}

fn row(number: usize, rule: &SheetRule) -> String {
    let wording = match rule.wording.trim() {
        "" => String::new(),
        wording => format!("<br><span class=\"w\">{}</span>", escaped(wording)),
    };
    let mut shown: Vec<String> = rule.used.iter().map(|used| escaped(used)).collect();
    shown.extend(rule.value.as_deref().map(escaped));
    if rule.verdict != "MET" && !rule.note.is_empty() {
        shown.push(escaped(&rule.note));
    }
    format!(
        "<tr><td class=\"b\"><span></span></td><td>{number}. {}{wording}</td><td>{}</td><td class=\"v\">{}</td></tr>\n",
        escaped(&rule.title),
        shown.join("<br>"),
        escaped(rule.verdict)
    )
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn page_names_that_look_like_markup_stay_text() {
        let rule = SheetRule {
            title: "<b>shell</b>".to_owned(),
            wording: "a \"waterproof\" & taped".to_owned(),
            used: vec!["A<script>".to_owned()],
            value: None,
            verdict: "NOT SHOWN",
            note: "1 < 2".to_owned(),
        };
        let sheet = Sheet {
            title: vec!["Kit of A & B".to_owned()],
            rules: vec![rule],
            masses: Vec::new(),
            besides: vec!["<i>".to_owned()],
            caution: "care".to_owned(),
        };
        let page = page(&sheet);
        assert!(!page.contains("<script>") && !page.contains("<b>shell") && !page.contains("<i>"), "{page}");
        for text in [
            "&lt;b&gt;shell",
            "A&lt;script&gt;",
            "Kit of A &amp; B",
            "1 &lt; 2",
            "&quot;waterproof&quot; &amp; taped",
        ] {
            assert!(page.contains(text), "{text}");
        }
    }
}
