//! A small writer of SVG 1.1: what goes in as text or as a number comes out well-formed.

use std::fmt::Write;

/// Text with what XML does not take as it stands escaped, and what it takes not at all left out (XML 1.0, section 2.2).
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(' '),
            c if c.is_control() || ('\u{fffe}'..='\u{ffff}').contains(&c) => {}
            c => out.push(c),
        }
    }
    out
}

/// A coordinate to a tenth of a pixel; one that is not finite is 0.
fn at(value: f64) -> f64 {
    if value.is_finite() { (value * 10.0).round() / 10.0 } else { 0.0 }
}

/// Where a text is anchored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

impl Anchor {
    fn name(self) -> &'static str {
        match self {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        }
    }
}

/// How an area is filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fill {
    White,
    Black,
    /// Strokes falling to the right: less.
    Falling,
    /// Strokes rising to the right, closer: more.
    Rising,
    /// Sparse dots: an interval.
    Dots,
}

impl Fill {
    fn value(self) -> &'static str {
        match self {
            Fill::White => "white",
            Fill::Black => "black",
            Fill::Falling => "url(#less)",
            Fill::Rising => "url(#more)",
            Fill::Dots => "url(#dots)",
        }
    }
}

/// A picture in the making.
pub(super) struct Svg {
    width: f64,
    height: f64,
    body: String,
}

impl Svg {
    pub fn new(width: f64, height: f64) -> Self {
        Self { width, height, body: String::new() }
    }

    pub fn text(&mut self, x: f64, y: f64, anchor: Anchor, size: f64, text: &str) {
        self.weighted(x, y, anchor, size, "normal", text);
    }

    pub fn bold(&mut self, x: f64, y: f64, anchor: Anchor, size: f64, text: &str) {
        self.weighted(x, y, anchor, size, "bold", text);
    }

    fn weighted(&mut self, x: f64, y: f64, anchor: Anchor, size: f64, weight: &str, text: &str) {
        // A white rim keeps a label readable over lines.
        let _ = writeln!(
            self.body,
            r#"<text x="{}" y="{}" text-anchor="{}" font-size="{size}" font-weight="{weight}" stroke="white" stroke-width="3" paint-order="stroke">{}</text>"#,
            at(x),
            at(y),
            anchor.name(),
            escaped(text)
        );
    }

    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), width: f64, dash: Option<&str>) {
        let dash = dash.map_or(String::new(), |dash| format!(r#" stroke-dasharray="{dash}""#));
        let _ = writeln!(
            self.body,
            r#"<line x1="{}" y1="{}" x2="{}" y2="{}" stroke="black" stroke-width="{width}"{dash}/>"#,
            at(from.0),
            at(from.1),
            at(to.0),
            at(to.1)
        );
    }

    /// A rectangle; `tip` is what a pointer resting on it shows.
    pub fn rect(&mut self, x: f64, y: f64, width: f64, height: f64, fill: Fill, tip: &str) {
        let _ = writeln!(
            self.body,
            r#"<rect x="{}" y="{}" width="{}" height="{}" fill="{}" stroke="black" stroke-width="1"><title>{}</title></rect>"#,
            at(x),
            at(y),
            at(width.max(0.0)),
            at(height.max(0.0)),
            fill.value(),
            escaped(tip)
        );
    }

    pub fn circle(&mut self, centre: (f64, f64), radius: f64, fill: Fill, tip: &str) {
        let _ = writeln!(
            self.body,
            r#"<circle cx="{}" cy="{}" r="{radius}" fill="{}" stroke="black" stroke-width="1.2"><title>{}</title></circle>"#,
            at(centre.0),
            at(centre.1),
            fill.value(),
            escaped(tip)
        );
    }

    /// A closed area.
    pub fn polygon(&mut self, points: &[(f64, f64)], fill: Fill, outlined: bool, tip: &str) {
        let _ = writeln!(
            self.body,
            r#"<polygon points="{}" fill="{}" stroke="{}" stroke-width="1.2"><title>{}</title></polygon>"#,
            Self::points(points),
            fill.value(),
            if outlined { "black" } else { "none" },
            escaped(tip)
        );
    }

    pub fn polyline(&mut self, points: &[(f64, f64)], width: f64, dash: Option<&str>) {
        let dash = dash.map_or(String::new(), |dash| format!(r#" stroke-dasharray="{dash}""#));
        let _ = writeln!(
            self.body,
            r#"<polyline points="{}" fill="none" stroke="black" stroke-width="{width}"{dash}/>"#,
            Self::points(points)
        );
    }

    fn points(points: &[(f64, f64)]) -> String {
        points.iter().map(|(x, y)| format!("{},{}", at(*x), at(*y))).collect::<Vec<_>>().join(" ")
    }

    /// The whole document. `name` makes the ids of title and description unlike those of other pictures on one page.
    pub fn finish(self, name: &str, title: &str, description: &str) -> String {
        let Self { width, height, body } = self;
        format!(
            r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" aria-labelledby="{name}-title {name}-description" font-family="sans-serif" fill="black">
<title id="{name}-title">{}</title>
<desc id="{name}-description">{}</desc>
<defs>
<pattern id="less" width="8" height="8" patternUnits="userSpaceOnUse"><rect width="8" height="8" fill="white"/><path d="M-2,-2 L10,10 M-2,6 L2,10 M6,-2 L10,2" stroke="black" stroke-width="1"/></pattern>
<pattern id="more" width="5" height="5" patternUnits="userSpaceOnUse"><rect width="5" height="5" fill="white"/><path d="M-1,6 L6,-1 M-1,1 L1,-1 M4,6 L6,4" stroke="black" stroke-width="1.8"/></pattern>
<pattern id="dots" width="7" height="7" patternUnits="userSpaceOnUse"><circle cx="2" cy="2" r="0.7" fill="black"/></pattern>
</defs>
<rect width="{width}" height="{height}" fill="white"/>
{body}</svg>
"##,
            escaped(title),
            escaped(description)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn escaped_leaves_only_what_xml_takes() {
        assert_eq!(escaped("a<b>&\"c'\u{1}\u{ffff}\n"), "a&lt;b&gt;&amp;&quot;c&#39; ");
    }
}
