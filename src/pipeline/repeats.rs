//! One picture given more than once, under whatever names: it counts once.

use crate::flag::{Flag, Warning};
use crate::table::ImageRow;
use std::collections::BTreeMap;

/// Pictures with the same content count once: the first one that counts, in the order of the table. One line for each of the
/// others.
pub(super) fn count_once(images: &mut [ImageRow]) -> Vec<String> {
    let mut first: BTreeMap<String, (String, String)> = BTreeMap::new();
    let mut said = Vec::new();
    for image in images.iter_mut().filter(|i| i.is_done() && i.series.counted && !i.content_hash.is_empty()) {
        let Some((name, specimen)) = first.get(&image.content_hash) else {
            let named = (image.series.image.clone(), image.series.specimen.clone());
            first.insert(image.content_hash.clone(), named);
            continue;
        };
        let other = if *specimen == image.series.specimen { String::new() } else { format!(" of specimen {specimen}") };
        let text = format!("the same picture as {name}{other}; it counts once, there");
        image.series.counted = false;
        image.add_warnings(&[Warning::new(Flag::SamePicture, text.clone())]);
        said.push(format!("{}: {text}", image.series.image));
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    fn image(name: &str, hash: &str, counted: bool) -> ImageRow {
        let mut row = ImageRow { content_hash: hash.into(), ..ImageRow::default() };
        (row.series.image, row.series.specimen, row.series.counted) = (name.into(), "S".into(), counted);
        row
    }

    #[test]
    fn the_first_that_counts_counts() {
        let mut images = [image("a", "1", false), image("b", "1", true), image("c", "2", true), image("d", "1", true)];
        let said = count_once(&mut images);
        assert_eq!(images.each_ref().map(|i| i.series.counted), [false, true, true, false]);
        assert_eq!(said, ["d: the same picture as b; it counts once, there"]);
        assert!(images[3].is_raised(Flag::SamePicture));
    }
}
