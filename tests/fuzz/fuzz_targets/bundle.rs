//! The fuzzer of [`rinsebook_fuzz::bundle`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::bundle(data);
});
