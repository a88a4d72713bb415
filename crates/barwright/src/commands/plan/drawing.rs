//! The drawing of a reference bar as a file of its own.

use std::path::{Path, PathBuf};

use barwright_job::{Sealed, Technique, reference::ReferenceBar};
use barwright_report::{Palette, reference_bar_drawing, reference_bar_dxf};
use barwright_web::files;

use crate::failure::Failure;

/// A file for the drawing; its ending says the form.
#[derive(Debug, Clone)]
pub struct DrawingFile {
    path: PathBuf,
    form: Form,
}

#[derive(Debug, Clone, Copy)]
enum Form {
    Svg,
    Dxf,
}

impl DrawingFile {
    /// Takes a path that ends with `.svg` or `.dxf`.
    ///
    /// # Errors
    /// In words, when it ends otherwise.
    pub fn parse(path: &str) -> Result<Self, String> {
        let path = PathBuf::from(path);
        let form = match super::ending(&path).as_str() {
            "svg" => Form::Svg,
            "dxf" => Form::Dxf,
            _ => {
                return Err("the name of the file must end with .svg or .dxf (the sheet as PDF \
                            is a paper of certify)"
                    .to_owned());
            }
        };
        Ok(Self { path, form })
    }

    /// Where it lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes the drawing, whole or not at all.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(
        &self,
        technique: &Sealed<Technique>,
        reference: &Sealed<ReferenceBar>,
    ) -> Result<(), Failure> {
        let (bar, section) = (&reference.body, &technique.body.section);
        let content = match self.form {
            Form::Svg => reference_bar_drawing(bar, section, &Palette::paper()).into_bytes(),
            Form::Dxf => reference_bar_dxf(bar, section)
                .map_err(|words| Failure::new(format!("the drawing as DXF: {words}")))?,
        };
        Ok(files::write(&self.path, &content)?)
    }
}
