//! A small writer of SVG text: fixed number format, escaped words, no identifiers, so that equal
//! input gives equal bytes and several pictures can share one page.

use std::fmt::Write as _;

use crate::{palette::Palette, text};

/// A picture being drawn, in pixels, y down.
#[derive(Debug, Clone)]
pub(crate) struct Svg {
    width: f64,
    height: f64,
    title: String,
    family: String,
    body: String,
}

/// Where a text is held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// How a text looks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Type<'a> {
    pub size: f64,
    pub fill: &'a str,
    pub anchor: Anchor,
    pub bold: bool,
}

impl<'a> Type<'a> {
    pub(crate) const fn new(size: f64, fill: &'a str, anchor: Anchor) -> Self {
        Self { size, fill, anchor, bold: false }
    }

    pub(crate) const fn bold(mut self) -> Self {
        self.bold = true;
        self
    }
}

/// A number with at most two decimals and no trailing zeros; not-a-number draws at 0.
pub(crate) fn n(value: f64) -> String {
    if !value.is_finite() {
        return "0".to_owned();
    }
    let mut s = format!("{value:.2}");
    if s.contains('.') {
        s.truncate(s.trim_end_matches('0').trim_end_matches('.').len());
    }
    if s == "-0" { "0".to_owned() } else { s }
}

impl Svg {
    pub(crate) fn new(width: f64, height: f64, title: impl Into<String>, look: &Palette) -> Self {
        Self {
            width,
            height,
            title: title.into(),
            family: look.family.clone(),
            body: String::new(),
        }
    }

    /// Adds an element without content from its name and attributes.
    pub(crate) fn element(&mut self, name: &str, attributes: &[(&str, String)]) -> &mut Self {
        self.body.push('<');
        self.body.push_str(name);
        for (key, value) in attributes {
            let _ = write!(self.body, " {key}=\"{}\"", text::escape(value));
        }
        self.body.push_str("/>\n");
        self
    }

    /// Opens a group with a class, which pages may address.
    pub(crate) fn open(&mut self, class: &str) -> &mut Self {
        let _ = writeln!(self.body, "<g class=\"{}\">", text::escape(class));
        self
    }

    /// Opens a group whose words appear when the pointer rests on it.
    pub(crate) fn open_titled(&mut self, class: &str, title: &str) -> &mut Self {
        let _ = writeln!(
            self.body,
            "<g class=\"{}\"><title>{}</title>",
            text::escape(class),
            text::escape(title)
        );
        self
    }

    pub(crate) fn close(&mut self) -> &mut Self {
        self.body.push_str("</g>\n");
        self
    }

    pub(crate) fn line(
        &mut self,
        from: (f64, f64),
        to: (f64, f64),
        stroke: &str,
        width: f64,
    ) -> &mut Self {
        self.element(
            "line",
            &[
                ("x1", n(from.0)),
                ("y1", n(from.1)),
                ("x2", n(to.0)),
                ("y2", n(to.1)),
                ("stroke", stroke.to_owned()),
                ("stroke-width", n(width)),
            ],
        )
    }

    pub(crate) fn path(&mut self, d: &str, fill: &str, stroke: &str, width: f64) -> &mut Self {
        if d.is_empty() {
            return self;
        }
        self.element(
            "path",
            &[
                ("d", d.to_owned()),
                ("fill", fill.to_owned()),
                ("stroke", stroke.to_owned()),
                ("stroke-width", n(width)),
            ],
        )
    }

    /// A path of dashes.
    pub(crate) fn dashed(&mut self, d: &str, stroke: &str, width: f64, dashes: &str) -> &mut Self {
        self.element(
            "path",
            &[
                ("d", d.to_owned()),
                ("fill", "none".to_owned()),
                ("stroke", stroke.to_owned()),
                ("stroke-width", n(width)),
                ("stroke-dasharray", dashes.to_owned()),
            ],
        )
    }

    pub(crate) fn rect(
        &mut self,
        (x, y, w, h): (f64, f64, f64, f64),
        fill: &str,
        stroke: &str,
        width: f64,
    ) -> &mut Self {
        self.element(
            "rect",
            &[
                ("x", n(x)),
                ("y", n(y)),
                ("width", n(w.max(0.0))),
                ("height", n(h.max(0.0))),
                ("fill", fill.to_owned()),
                ("stroke", stroke.to_owned()),
                ("stroke-width", n(width)),
            ],
        )
    }

    pub(crate) fn circle(
        &mut self,
        (x, y): (f64, f64),
        r: f64,
        fill: &str,
        stroke: &str,
        width: f64,
    ) -> &mut Self {
        self.element(
            "circle",
            &[
                ("cx", n(x)),
                ("cy", n(y)),
                ("r", n(r)),
                ("fill", fill.to_owned()),
                ("stroke", stroke.to_owned()),
                ("stroke-width", n(width)),
            ],
        )
    }

    pub(crate) fn text(&mut self, at: (f64, f64), words: &str, look: Type<'_>) -> &mut Self {
        self.text_turned(at, 0.0, words, look)
    }

    /// Text turned about its anchor by an angle in degrees, clockwise on the page.
    pub(crate) fn text_turned(
        &mut self,
        (x, y): (f64, f64),
        degrees: f64,
        words: &str,
        look: Type<'_>,
    ) -> &mut Self {
        let anchor = match look.anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let turn = if degrees == 0.0 {
            String::new()
        } else {
            format!(" transform=\"rotate({} {} {})\"", n(degrees), n(x), n(y))
        };
        let weight = if look.bold { " font-weight=\"bold\"" } else { "" };
        let _ = writeln!(
            self.body,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\" fill=\"{}\" text-anchor=\"{anchor}\"{weight}{turn}>{}</text>",
            n(x),
            n(y),
            n(look.size),
            text::escape(look.fill),
            text::escape(words),
        );
        self
    }

    /// The finished text.
    pub(crate) fn finish(&self) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" \
             role=\"img\" aria-label=\"{t}\" font-family=\"{f}\">\n<title>{t}</title>\n{b}</svg>\n",
            w = n(self.width),
            h = n(self.height),
            t = text::escape(&self.title),
            f = text::escape(&self.family),
            b = self.body,
        )
    }
}

/// Direction of hatching lines on the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Hatch {
    /// Rising to the right.
    Rising,
    /// Falling to the right.
    Falling,
}

/// Path of hatching lines over a rectangle; neighbouring rectangles join, because the lines are
/// counted from the picture's origin.
pub(crate) fn hatch(
    (x, y, w, h): (f64, f64, f64, f64),
    spacing: f64,
    direction: Hatch,
    out: &mut String,
) {
    let (x1, y1) = (x + w, y + h);
    // Lines are x + y = c (rising) or x - y = c (falling).
    let (low, high) = match direction {
        Hatch::Rising => (x + y, x1 + y1),
        Hatch::Falling => (x - y1, x1 - y),
    };
    let mut k = (low / spacing).ceil();
    while k * spacing < high {
        let c = k * spacing;
        let (from, to) = match direction {
            Hatch::Rising => (x.max(c - y1), x1.min(c - y)),
            Hatch::Falling => (x.max(c + y), x1.min(c + y1)),
        };
        if to > from {
            let at = |px: f64| match direction {
                Hatch::Rising => c - px,
                Hatch::Falling => px - c,
            };
            let _ = write!(out, "M{} {}L{} {}", n(from), n(at(from)), n(to), n(at(to)));
        }
        k += 1.0;
    }
}

/// Appends a move to a point.
pub(crate) fn move_to(d: &mut String, p: (f64, f64)) {
    let _ = write!(d, "M{} {}", n(p.0), n(p.1));
}

/// Appends a broken line to a path: dashes and gaps of given lengths.
pub(crate) fn dashes_to(
    d: &mut String,
    (x0, y0): (f64, f64),
    (x1, y1): (f64, f64),
    [dash, gap]: [f64; 2],
) {
    let length = (x1 - x0).hypot(y1 - y0);
    let mut at = 0.0;
    while at < length {
        let to = (at + dash).min(length);
        let p = |s: f64| (x0 + (x1 - x0) * s / length, y0 + (y1 - y0) * s / length);
        move_to(d, p(at));
        line_to(d, p(to));
        at += dash + gap;
    }
}

/// Appends a line to a point.
pub(crate) fn line_to(d: &mut String, p: (f64, f64)) {
    let _ = write!(d, "L{} {}", n(p.0), n(p.1));
}
