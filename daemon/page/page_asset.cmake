# The files of the page and the packaged chart library, written into the program.
find_path(DYGRAPHS_FOLDER dygraph.min.js PATHS /usr/share/javascript/dygraphs
	/usr/share/nodejs/dygraphs/dist REQUIRED NO_DEFAULT_PATH)
file(GLOB page_files CONFIGURE_DEPENDS ${CMAKE_CURRENT_LIST_DIR}/*.html
	${CMAKE_CURRENT_LIST_DIR}/*.css ${CMAKE_CURRENT_LIST_DIR}/*.js
	${CMAKE_CURRENT_LIST_DIR}/*.svg)
list(APPEND page_files ${DYGRAPHS_FOLDER}/dygraph.min.js ${DYGRAPHS_FOLDER}/dygraph.min.css)
set(pairs "")
foreach(file ${page_files})
	get_filename_component(name ${file} NAME)
	list(APPEND pairs "/${name}=${file}")
	if(name STREQUAL "index.html")
		list(APPEND pairs "/=${file}")
	endif()
endforeach()
set(page_asset_data ${CMAKE_BINARY_DIR}/page_asset_data.c)
add_custom_command(OUTPUT ${page_asset_data}
	COMMAND ${CMAKE_COMMAND} "-DFILES=${pairs}" -DOUTPUT=${page_asset_data}
		-P ${CMAKE_CURRENT_LIST_DIR}/embed.cmake
	DEPENDS ${page_files} ${CMAKE_CURRENT_LIST_DIR}/embed.cmake VERBATIM)
