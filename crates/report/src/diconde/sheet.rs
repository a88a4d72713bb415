//! A data set while it is filled: values go in by attribute and are brought to its representation; what did
//! not fit and what stayed open is noted.

use std::cell::RefCell;

use dicom_core::{
    DataElement, PrimitiveValue, Tag, VR,
    dictionary::{DataDictionary as _, DataDictionaryEntry as _},
    value::{C, DataSetSequence},
};
use dicom_dictionary_std::StandardDataDictionary;
use dicom_object::InMemDicomObject;

use super::{
    LeftOpen, Shortened,
    fit::{self, MOST_BYTES},
    moment::Moment,
    private::{CREATOR, CREATOR_TAG, Private},
};

/// An attribute, of the open dictionary or of ours.
#[derive(Debug, Clone, Copy)]
pub(super) struct Attribute {
    tag: Tag,
    private: Option<Private>,
}

impl From<Tag> for Attribute {
    fn from(tag: Tag) -> Self {
        Self { tag, private: None }
    }
}

impl From<Private> for Attribute {
    fn from(private: Private) -> Self {
        Self { tag: private.tag(), private: Some(private) }
    }
}

impl Attribute {
    fn vr(self) -> VR {
        match self.private {
            Some(p) => p.vr,
            None => StandardDataDictionary.by_tag(self.tag).map_or(VR::UN, |e| e.vr().relaxed()),
        }
    }

    fn keyword(self) -> String {
        match self.private {
            Some(p) => p.keyword.to_owned(),
            None => StandardDataDictionary
                .by_tag(self.tag)
                .map_or_else(|| self.tag.to_string(), |e| e.alias().to_owned()),
        }
    }
}

/// What is told beside the object, gathered while it is filled.
#[derive(Debug, Default)]
pub(super) struct Notes {
    shortened: RefCell<Vec<Shortened>>,
    left_open: RefCell<Vec<LeftOpen>>,
}

impl Notes {
    /// An attribute that stays empty or away, and why.
    pub fn open(&self, attribute: impl Into<Attribute>, why: &str) {
        let attribute = attribute.into();
        let open =
            LeftOpen { tag: attribute.tag, keyword: attribute.keyword(), why: why.to_owned() };
        let mut all = self.left_open.borrow_mut();
        if !all.contains(&open) {
            all.push(open);
        }
    }

    pub fn into_parts(self) -> (Vec<Shortened>, Vec<LeftOpen>) {
        let mut open = self.left_open.into_inner();
        open.sort_by_key(|o| o.tag);
        (self.shortened.into_inner(), open)
    }
}

/// A data set, or an item of a sequence, while it is filled.
pub(super) struct Sheet<'n> {
    object: InMemDicomObject,
    notes: &'n Notes,
    /// Where it stands, in words; empty for the object itself.
    place: String,
}

impl<'n> Sheet<'n> {
    pub fn new(notes: &'n Notes) -> Self {
        Self { object: InMemDicomObject::new_empty(), notes, place: String::new() }
    }

    /// An item of a sequence, to be put in by [`Self::sequence`].
    pub fn item(&self, place: impl Into<String>) -> Self {
        Self { object: InMemDicomObject::new_empty(), notes: self.notes, place: place.into() }
    }

    pub fn into_object(self) -> InMemDicomObject {
        self.object
    }

    /// Leaves an attribute out and says why.
    pub fn open(&self, attribute: impl Into<Attribute>, why: &str) {
        self.notes.open(attribute, why);
    }

    fn put(&mut self, attribute: Attribute, value: PrimitiveValue) {
        self.reserve(attribute);
        self.object.put(DataElement::new(attribute.tag, attribute.vr(), value));
    }

    /// A private attribute stands in a block that says whose it is, in every item anew.
    fn reserve(&mut self, attribute: Attribute) {
        if attribute.private.is_some() && self.object.get(CREATOR_TAG).is_none() {
            self.object.put(DataElement::new(CREATOR_TAG, VR::LO, PrimitiveValue::from(CREATOR)));
        }
    }

    /// An attribute that must be there and has no value.
    pub fn empty(&mut self, attribute: impl Into<Attribute>, why: &str) {
        let attribute = attribute.into();
        if attribute.vr() == VR::SQ {
            self.sequence(attribute, vec![]);
        } else {
            self.put(attribute, PrimitiveValue::Empty);
        }
        self.notes.open(attribute, why);
    }

    /// A text, as its representation allows it. What does not fit is noted and goes whole into the list
    /// of full texts.
    pub fn text(&mut self, attribute: impl Into<Attribute>, words: &str) {
        let attribute = attribute.into();
        let fitted = fit::fit(attribute.vr(), words);
        if fitted.shortened {
            self.notes.shortened.borrow_mut().push(Shortened {
                tag: attribute.tag,
                keyword: attribute.keyword(),
                place: self.place.clone(),
                text: fit::fit(VR::UT, words).text,
            });
        }
        self.put(attribute, PrimitiveValue::from(fitted.text));
    }

    /// Terms of our own or of the standards, one or more: upper case, at most 16 characters each.
    pub fn terms(&mut self, attribute: impl Into<Attribute>, terms: &[&str]) {
        self.put(
            attribute.into(),
            PrimitiveValue::Strs(terms.iter().map(|t| (*t).into()).collect()),
        );
    }

    /// An identifier: digits and dots.
    pub fn uid(&mut self, attribute: impl Into<Attribute>, uid: &str) {
        self.put(attribute.into(), PrimitiveValue::from(uid));
    }

    /// Decimal strings. Nothing is written where one is not finite or all of them find no room.
    pub fn decimals(&mut self, attribute: impl Into<Attribute>, values: &[f64]) {
        let attribute = attribute.into();
        let strings: Option<C<String>> = values.iter().map(|v| fit::decimal(*v)).collect();
        match strings {
            None => self.notes.open(attribute, "a number of the record is not finite"),
            Some(s) if s.iter().map(|s| s.len() + 1).sum::<usize>() > MOST_BYTES => {
                self.notes.open(attribute, "more numbers than a value of this kind can hold");
            }
            Some(strings) => self.put(attribute, PrimitiveValue::Strs(strings)),
        }
    }

    /// A whole number as text (IS or DS); one of more digits than find room as a decimal with fewer.
    pub fn whole(&mut self, attribute: impl Into<Attribute>, value: impl Into<i128>) {
        let (attribute, value) = (attribute.into(), value.into());
        let text = value.to_string();
        let room = if attribute.vr() == VR::IS { 12 } else { 16 };
        if text.len() > room {
            return self.decimals(attribute, &[value as f64]);
        }
        self.put(attribute, PrimitiveValue::from(text));
    }

    /// Floating-point numbers (FD), all their bits.
    pub fn floats(&mut self, attribute: Private, values: &[f64]) {
        self.put(attribute.into(), PrimitiveValue::F64(values.iter().copied().collect()));
    }

    /// Numbers of 16 bits (US). Nothing is written where they find no room.
    pub fn shorts(&mut self, attribute: impl Into<Attribute>, values: &[u16]) {
        let attribute = attribute.into();
        if values.len() * 2 > MOST_BYTES {
            return self.notes.open(attribute, "more numbers than a value of this kind can hold");
        }
        self.put(attribute, PrimitiveValue::U16(values.iter().copied().collect()));
    }

    /// Numbers of 32 bits (UL). Nothing is written where they find no room.
    pub fn longs(&mut self, attribute: Private, values: &[u32]) {
        if values.len() * 4 > MOST_BYTES {
            return self.notes.open(attribute, "more numbers than a value of this kind can hold");
        }
        self.put(attribute.into(), PrimitiveValue::U32(values.iter().copied().collect()));
    }

    /// Attributes spoken of (AT).
    pub fn tag(&mut self, attribute: impl Into<Attribute>, tag: Tag) {
        self.put(attribute.into(), PrimitiveValue::from(tag));
    }

    /// Samples of 16 bits (OW).
    pub fn samples(&mut self, attribute: impl Into<Attribute>, values: Vec<u16>) {
        let attribute = attribute.into();
        let value = PrimitiveValue::U16(values.into());
        self.object.put(DataElement::new(attribute.tag, VR::OW, value));
    }

    /// Day and time of day of a moment.
    pub fn moment(&mut self, [day, time]: [Tag; 2], moment: &Moment) {
        self.put(day.into(), PrimitiveValue::from(moment.day()));
        self.put(time.into(), PrimitiveValue::from(moment.time()));
    }

    /// A moment as one value (DT).
    pub fn instant(&mut self, attribute: Private, moment: &Moment) {
        self.put(attribute.into(), PrimitiveValue::from(moment.whole()));
    }

    /// A day (DA), as `YYYYMMDD`.
    pub fn day(&mut self, attribute: impl Into<Attribute>, day: &str) {
        self.put(attribute.into(), PrimitiveValue::from(day));
    }

    /// A sequence of items, empty ones too.
    pub fn sequence(&mut self, attribute: impl Into<Attribute>, items: Vec<Sheet<'n>>) {
        let attribute = attribute.into();
        self.reserve(attribute);
        let items: Vec<InMemDicomObject> = items.into_iter().map(Self::into_object).collect();
        self.object.put(DataElement::new(attribute.tag, VR::SQ, DataSetSequence::from(items)));
    }
}
