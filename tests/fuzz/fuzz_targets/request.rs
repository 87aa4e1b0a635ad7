//! The fuzzer of [`rinsebook_fuzz::request`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::request(data);
});
