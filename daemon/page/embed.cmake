# Writes OUTPUT, a C file that holds the page's files byte for byte. FILES lists them, each as
# PATH=FILE: the path under which the page asks for it, and where it lies.
set(arrays "")
set(rows "")
set(number 0)
foreach(pair IN LISTS FILES)
	string(REGEX MATCH "^([^=]+)=(.+)$" matched "${pair}")
	set(path "${CMAKE_MATCH_1}")
	set(file "${CMAKE_MATCH_2}")
	get_filename_component(extension "${file}" LAST_EXT)
	if(extension STREQUAL ".html")
		set(type "text/html; charset=utf-8")
	elseif(extension STREQUAL ".css")
		set(type "text/css; charset=utf-8")
	elseif(extension STREQUAL ".js")
		set(type "text/javascript; charset=utf-8")
	elseif(extension STREQUAL ".svg")
		set(type "image/svg+xml")
	else()
		message(FATAL_ERROR "${file}: no media type is known for ${extension}")
	endif()
	file(SHA256 "${file}" digest)
	string(SUBSTRING "${digest}" 0 32 digest)
	file(SIZE "${file}" size)
	file(READ "${file}" bytes HEX)
	string(REGEX REPLACE "(................................)" "\\1\n" bytes "${bytes}")
	string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," bytes "${bytes}")
	# A zero byte behind each, not counted, so that text can be used as a C string.
	string(APPEND arrays "static const unsigned char bytes_${number}[] = {\n${bytes}0};\n")
	string(APPEND rows
		"\t{\"${path}\", \"${type}\", \"\\\"${digest}\\\"\", ${size}, bytes_${number}},\n")
	math(EXPR number "${number} + 1")
endforeach()
file(WRITE "${OUTPUT}.new" "/* Written at build by embed.cmake. */
#include \"daemon/page_asset.h\"

${arrays}
const struct page_asset page_assets[] = {
${rows}};
const size_t page_asset_count = ${number};
")
file(RENAME "${OUTPUT}.new" "${OUTPUT}")
